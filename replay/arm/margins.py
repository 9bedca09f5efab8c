"""Torque margins by rules that stand in named, dated, swappable tables.

A rule is a TOML file: a factor for each resistive torque (one if it was only
calculated, one if it was measured), a factor on their sum, one on the torque
that acceleration takes, one on the torque to deliver:

    needed = resistive_factor * sum(factor_k * resistance_k)
             + acceleration_factor * acceleration + output_factor * output

The factors for measured figures are meant for a measurement of the worst
case by an agreed procedure. A figure learned from operation was measured
under the conditions of that operation; whoever uses these factors must be
able to say which those were.
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from replay.errors import UsageError

DEFAULT_RULE = "ecss-e-st-33-01c-2009"


@dataclass(frozen=True, slots=True)
class Resistance:
    """Factors for one kind of resistive torque."""

    symbol: str
    calculated: float
    measured: float


@dataclass(frozen=True, slots=True)
class MarginRule:
    """One rule's table; ``name`` is its file's name, ``title``, ``date``, ``clause`` its origin."""

    name: str
    title: str
    date: str
    clause: str
    note: str
    resistive_factor: float
    acceleration_factor: float
    output_factor: float
    resistances: dict[str, Resistance]

    def needed_nm(
        self,
        resistances_nm: Mapping[str, float],
        *,
        acceleration_nm: float = 0.0,
        output_nm: float = 0.0,
        measured: Collection[str] = (),
    ) -> float:
        """Return the torque that must at least be available.

        Parameters
        ----------
        resistances_nm : mapping
            Worst-case size of each resistive torque, by the rule's names.
        acceleration_nm : float
            Torque that the worst specified acceleration takes.
        output_nm : float
            Torque to be delivered.
        measured : collection of str
            The resistances that were measured.

        Raises
        ------
        UsageError
            A name that the rule does not have.
        """
        for name in (*resistances_nm, *measured):
            if name not in self.resistances:
                raise UsageError(
                    f"{self.title} has no resistance {name!r}",
                    todo=f"it has {', '.join(self.resistances)}",
                )
        total = 0.0
        for name, torque in resistances_nm.items():
            row = self.resistances[name]
            total += (row.measured if name in measured else row.calculated) * abs(torque)
        return (
            self.resistive_factor * total
            + self.acceleration_factor * abs(acceleration_nm)
            + self.output_factor * abs(output_nm)
        )


def margin(available_nm: float, required_nm: float) -> float:
    """Return ``available / required - 1``: 0 just suffices, 1 is a margin of 100 %.

    Infinite when nothing is required.
    """
    if required_nm <= 0:
        return float("inf")
    return available_nm / required_nm - 1.0


def rule_names() -> list[str]:
    """Return the names of the rules that come with the package."""
    folder = resources.files("replay.arm") / "rules"
    return sorted(
        f.name.removesuffix(".toml") for f in folder.iterdir() if f.name.endswith(".toml")
    )


def load_rule(name_or_path: str | Path = DEFAULT_RULE) -> MarginRule:
    """Read a margin rule by its name or from a file of one's own.

    Raises
    ------
    UsageError
        No such rule, or a table that lacks a part.
    """
    if isinstance(name_or_path, str) and name_or_path in rule_names():
        name = name_or_path
        text = (resources.files("replay.arm") / "rules" / f"{name}.toml").read_text("utf-8")
    else:
        path = Path(name_or_path)
        if not path.is_file():
            raise UsageError(
                f"no margin rule {str(name_or_path)!r}",
                todo=f"give a file, or one of {', '.join(rule_names())}",
            )
        name, text = path.stem, path.read_text("utf-8")
    try:
        table = tomllib.loads(text)
        head = table["rule"]
        return MarginRule(
            name=name,
            title=str(head["title"]),
            date=str(head["date"]),
            clause=str(head.get("clause", "")),
            note=str(head.get("note", "")),
            resistive_factor=_factor(head["resistive_factor"]),
            acceleration_factor=_factor(head["acceleration_factor"]),
            output_factor=_factor(head["output_factor"]),
            resistances={
                key: Resistance(
                    str(row.get("symbol", key)),
                    _factor(row["calculated"]),
                    _factor(row["measured"]),
                )
                for key, row in table["resistance"].items()
            },
        )
    except tomllib.TOMLDecodeError as error:
        raise UsageError(f"the margin rule is not valid TOML: {error}", file=name) from error
    except KeyError as error:
        raise UsageError(f"the margin rule lacks {error}", file=name) from error
    except (TypeError, ValueError, AttributeError) as error:
        raise UsageError(f"the margin rule has a wrong value: {error}", file=name) from error


def _factor(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not value >= 0:
        raise ValueError(f"{value!r} is not a factor")
    return float(value)
