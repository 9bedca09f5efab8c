"""Baselines: what was learned, from what, as one plain JSON document.

A baseline is ``baselines/<version>.json``; its version is ``b<number>-<hash of its
content>``. Learning the same sessions again gives the same content, and therefore
the version that is already there. Numbers and words only: it must load in twenty
years. What the checks learned travels in ``calibration``, which is theirs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import polars as pl

from replay.errors import BaselineError
from replay.models.expectation import expected_current
from replay.models.model import Model
from replay.models.plain import from_plain, to_plain
from replay.models.units.joint_unit import UnitModel
from replay.records import Session
from replay.wording import counted

FORMAT = 17


FEWEST_SESSIONS = 5


THIN_HOURS = 0.5


OLD_DAYS = 400


@dataclass(frozen=True, slots=True)
class Baseline:
    """Normal behaviour of joint units, and what the checks calibrated on it."""

    version: str
    made_at: datetime
    sessions: tuple[str, ...]
    first: datetime
    last: datetime
    asked: float
    """False flags per 100 joint-hours that the user accepts."""
    model: Model
    calibration: dict[str, Any] = field(default_factory=dict)

    @classmethod
    def assemble(
        cls, model: Model, records: list[Session], asked: float, calibration: dict[str, Any]
    ) -> Baseline:
        """Put the learned parts together; the version comes with saving."""
        return cls(
            version="",
            made_at=datetime.now(UTC),
            sessions=tuple(sorted(r.session for r in records)),
            first=min(r.start for r in records),
            last=max(r.end for r in records),
            asked=asked,
            model=model,
            calibration=calibration,
        )

    @property
    def units(self) -> dict[str, UnitModel]:
        """Return each joint unit's model by its serial."""
        return self.model.units

    def concerns(self, record: Session | None = None) -> list[str]:
        """Say where the baseline is thin, old or short of something."""
        said = list(self.model.notes)
        for name, unit in sorted(self.units.items()):
            if unit.hours < THIN_HOURS or len(unit.sessions) < FEWEST_SESSIONS:
                thin = counted(len(unit.sessions), "session")
                said.append(f"{name}: thin, {unit.hours:.2f} h in {thin}")
            said += [f"{name}: {note}" for note in unit.notes]
        if record is not None and (record.start - self.last).days > OLD_DAYS:
            said.append(
                f"old: its last session ended {(record.start - self.last).days} days earlier"
            )
        return said

    def follows_posture(self, unit: str) -> bool:
        """Tell whether `expected` needs all joints' tables for this unit."""
        if unit not in self.units:
            return False
        return self.model.chain is not None or self.units[unit].wades

    def expected(
        self, table: pl.DataFrame, unit: str, arm: Mapping[str, pl.DataFrame] | None = None
    ) -> pl.DataFrame:
        """Return the expected current beside a joint table, row by row.

        Parameters
        ----------
        table : polars.DataFrame
            Columns of `replay.units.JOINT_TABLE`.
        unit : str
            Serial number of the joint unit.
        arm : mapping, optional
            The tables of all joints over the same time, in the arm's order, for a
            unit whose current follows the posture.

        Returns
        -------
        polars.DataFrame
            ``expected_a``, ``spread_a`` (one standard deviation of a sample),
            ``low_a``, ``high_a`` (the band that about 99 % of healthy samples
            keep) and ``seen`` (training was here, or near); null where nothing
            can be said.

        Raises
        ------
        BaselineError
            The unit is not in the baseline.
        """
        if unit not in self.units:
            raise BaselineError(
                f"baseline {self.version} knows no unit {unit!r}",
                todo="learn again with sessions in which it runs",
            )
        return expected_current(self.model, self.units[unit], table, arm)

    def content(self) -> dict[str, Any]:
        """Return what decides about flags, without version and date."""
        return {
            "format": FORMAT,
            "sessions": list(self.sessions),
            "first": self.first.isoformat(),
            "last": self.last.isoformat(),
            "asked": self.asked,
            "model": to_plain(self.model),
            "calibration": self.calibration,
        }

    @classmethod
    def from_plain(cls, data: dict[str, Any]) -> Baseline:
        """Rebuild from a stored document.

        Raises
        ------
        BaselineError
            Another version of the program wrote it.
        """
        if data.get("format") != FORMAT:
            raise BaselineError(
                f"baseline {data.get('version', '')} has format {data.get('format')}, and this "
                f"version of the program reads {FORMAT}",
                todo="learn again",
            )
        return cls(
            version=data["version"],
            made_at=datetime.fromisoformat(data["made_at"]),
            sessions=tuple(data["sessions"]),
            first=datetime.fromisoformat(data["first"]),
            last=datetime.fromisoformat(data["last"]),
            asked=data["asked"],
            model=from_plain(Model, data["model"]),
            calibration=data["calibration"],
        )
