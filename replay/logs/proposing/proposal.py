"""A proposed log map: its lines, how sure each is, and what is not sure enough.

A line that is not needed and not sure stays a comment.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from replay.errors import LogMapError
from replay.logs.maps import LogMap, load_map

SURE = 0.6
"""Below this a line is not used without a person having looked at it."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a proposed map."""

    table: str
    key: str
    value: str
    """As TOML writes it."""
    confidence: float
    why: str
    samples: tuple[str, ...] = ()
    """Three values that it rests on, as they stand in the log."""
    otherwise: str = ""
    """What would change its mind."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """A proposed log map, and how far it can be trusted."""

    source: str
    lines: tuple[Line, ...]
    missing: tuple[str, ...] = ()
    """What a log needs and this one was not seen to have."""
    said: tuple[str, ...] = ()
    """What was left out of the log before its columns were looked at."""
    columns: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Columns of the log by the map's table that would read them."""
    shown: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Three values of each column, as they stand in the log."""
    present: tuple[str, ...] = ()
    """All columns of the log, or channels of a long table."""

    @property
    def sure(self) -> bool:
        """Tell whether every needed line is sure enough to be used unseen."""
        return not self.missing and not self.doubts

    @property
    def doubts(self) -> list[Line]:
        """Return needed lines that are not sure enough."""
        motion = [t for t in ("joint.angle", "joint.rate") if self._sure_table(t)]
        needed = {"log", "time", "joint.current", *(motion or ["joint.angle", "joint.rate"])}
        return [
            line
            for line in self.lines
            if line.table in needed and line.confidence < SURE and line.key != "numbering"
        ]

    @property
    def unused(self) -> list[str]:
        """Columns of the log that no line of the map reads."""
        read = {c for table, names in self.columns.items() if self._used(table) for c in names}
        return [c for c in self.present if c not in read]

    @property
    def toml(self) -> str:
        """The map as TOML, confidences as comments."""
        out = [
            "# A proposed log map. The figure behind each line, 0 to 1, says how sure it is; at 1",
            "# it is a guess all the same. Look at every line before you rely on it.",
        ]
        table = ""
        for line in self.lines:
            off = not self._used(line.table)
            mark = "# " if off else ""
            if line.table != table:
                table = line.table
                out += ["", f"{mark}[{table}]" + ("  # not sure enough: uncomment if right" * off)]
            why = " ".join(line.why.split())
            out.append(f"{mark}{line.key} = {line.value}  # {line.confidence:.2f} {why}")
        out += [f"# missing: {m}" for m in self.missing]
        if self.unused:
            out.append(f"# not used: {' '.join(told_together(self.unused, 400).split())}")
        out += [f"# left out: {' '.join(s.split())}" for s in self.said]
        return "\n".join(out) + "\n"

    def log_map(self) -> LogMap:
        """Return the proposal as a map; LogMapError when it is not one yet."""
        if self.missing:
            raise LogMapError(
                "no log map can be proposed: " + "; ".join(self.missing), file=self.source
            )
        return load_map(self.toml)

    @property
    def used(self) -> list[Line]:
        """Return the lines that are not comments."""
        return [line for line in self.lines if self._used(line.table)]

    def _sure_table(self, table: str) -> bool:
        mine = [line.confidence for line in self.lines if line.table == table]
        return bool(mine) and min(mine) >= SURE

    def _used(self, table: str) -> bool:
        if table in ("log", "time", "long", "joint.current"):
            return True
        if table in ("joint.angle", "joint.rate"):
            motion = ("joint.angle", "joint.rate")
            return self._sure_table(table) or not any(self._sure_table(t) for t in motion)
        return self._sure_table(table)


def told_together(names: Sequence[str], shown: int = 60) -> str:
    """Return names as a person reads them: those that differ in a number as one.

    Examples
    --------
    >>> told_together(["reg_0", "reg_1", "reg_2", "mode"])
    'reg_0 to reg_2 (3), mode'
    """
    groups: dict[str, list[str]] = {}
    for name in names:
        groups.setdefault(re.sub(r"\d+", "#", name), []).append(name)
    told = [g[0] if len(g) == 1 else f"{g[0]} to {g[-1]} ({len(g)})" for g in groups.values()]
    return ", ".join(told[:shown]) + (f" and {len(told) - shown} more" if len(told) > shown else "")
