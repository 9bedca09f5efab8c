"""Baselines: what was learned, from what, and what it can promise.

A baseline is one JSON document ``baselines/<version>.json``; its version is
``b<number>-<hash of its content>``. Learning the same sessions again gives the
same content, and therefore the version that is already there.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import numpy as np
import orjson
import polars as pl

from replay.archive import Archive
from replay.errors import BaselineError
from replay.models.bins import HELD, HOLDING, MOVING, bin_table
from replay.models.symptoms.physical import PRIOR_RATE
from replay.models.unit import Rarity, UnitModel
from replay.records import Session
from replay.statistics.rates import CONFIDENCE, rate_bound

FORMAT = 8
FOLDER = "baselines"
CANNOT_PROMISE = "cannot promise this rate from so few sessions"

FEWEST_SESSIONS = 5
THIN_HOURS = 0.5


@dataclass(slots=True)
class Baseline:
    """Normal behaviour of joint units, with the rate of false flags it expects."""

    version: str
    made_at: datetime
    sessions: tuple[str, ...]
    first: datetime
    last: datetime
    units: dict[str, UnitModel]
    rarity: Rarity
    asked: float
    """False flags per 100 joint-hours that the user accepts."""
    calibration: dict[str, Any] = field(default_factory=dict)

    @classmethod
    def assemble(
        cls,
        *,
        units: dict[str, UnitModel],
        rarity: Rarity,
        records: list[Session],
        asked: float,
        calibration: dict[str, object],
    ) -> Baseline:
        """Put the learned parts together; the version comes with saving."""
        return cls(
            version="",
            made_at=datetime.now(UTC),
            sessions=tuple(sorted(r.session for r in records)),
            first=min(r.start for r in records),
            last=max(r.end for r in records),
            units=units,
            rarity=rarity,
            asked=asked,
            calibration=calibration,
        )

    # what it says -------------------------------------------------------------
    @property
    def limit(self) -> float:
        """Score from which an event becomes a flag."""
        return limit_for(self.asked)

    @property
    def hours(self) -> float:
        """Joint-hours of held-out healthy running behind the limit."""
        return float(sum(self.calibration.get("hours", [])))

    def seen_events(self, limit: float | None = None) -> int:
        """Count held-out healthy blocks whose score reaches the limit."""
        level = self.limit if limit is None else limit
        return int(np.sum(np.array(self.calibration.get("scores", [])) >= level))

    def expected_rate(self, asked: float | None = None) -> float:
        """Return false flags expected per 100 joint-hours at the asked rate.

        The larger of what the tail says and what the held-out sessions showed,
        and a guess for findings beyond physical limits, which have no tail.
        """
        level = self.limit if asked is None else limit_for(asked)
        tail = 100 * -np.log1p(-(10.0**-level))
        events = self.seen_events(level)
        shown = 100 * events / self.hours if events >= 3 else 0.0
        return float(max(tail, shown) + 100 * PRIOR_RATE)

    def bound(self, asked: float | None = None) -> float:
        """Return the upper bound on false flags per 100 joint-hours (90 %).

        Events of one session are counted together: sessions are independent,
        blocks are not.
        """
        level = self.limit if asked is None else limit_for(asked)
        scores = np.array(self.calibration.get("scores", []))
        names = np.array(self.calibration.get("sessions", []), dtype=object)
        hit = scores >= level
        events = int(hit.sum())
        clusters = len(set(names[hit])) if events else 0
        each = events / clusters if clusters else 1.0
        return 100 * each * rate_bound(clusters, self.hours)

    def promise(self, asked: float | None = None) -> str:
        """Return a sentence on whether the asked rate can be promised."""
        rate = self.asked if asked is None else asked
        bound = self.bound(rate)
        count = len(self.sessions)
        gone = sum(len(u.set_aside) for u in self.units.values())
        left_out = f"; {gone} set-aside joint-sessions are not counted" if gone else ""
        if bound > 2 * rate or count < FEWEST_SESSIONS:
            return (
                f"{CANNOT_PROMISE}: {self.hours:.1f} joint-hours in {count} sessions bound it at "
                f"{bound:.2g} per 100 joint-hours ({CONFIDENCE:.0%} confidence), "
                f"asked {rate:g}{left_out}"
            )
        return (
            f"at most {bound:.2g} false flags per 100 joint-hours ({CONFIDENCE:.0%} confidence, "
            f"{self.hours:.0f} joint-hours in {count} sessions), asked {rate:g}{left_out}"
        )

    def concerns(self, record: Session | None = None) -> list[str]:
        """Say where the baseline is thin, old or out of its range."""
        said = []
        for name, unit in sorted(self.units.items()):
            if unit.hours < THIN_HOURS or len(unit.sessions) < FEWEST_SESSIONS:
                said.append(f"{name}: thin, {unit.hours:.2f} h in {len(unit.sessions)} sessions")
        if record is not None and (record.start - self.last).days > 400:
            said.append(
                f"old: its last session ended {(record.start - self.last).days} days earlier"
            )
        return said

    def follows_posture(self, unit: str) -> bool:
        """Tell whether `expected` needs all joints' tables for this unit."""
        return unit in self.units and any(
            "posture" in fit.blocks for fit in self.units[unit].model.populations_.values()
        )

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
            The tables of all joints over the same time, in the arm's order.
            Without them a unit whose current follows the posture is ``seen``
            nowhere.

        Returns
        -------
        polars.DataFrame
            ``expected_a``, ``spread_a`` (one standard deviation of a sample),
            ``low_a``, ``high_a`` (the band that about 99 % of healthy samples
            keep) and ``seen``; all but ``seen`` are null where this region was
            not seen in training.
        """
        if unit not in self.units:
            raise BaselineError(
                f"baseline {self.version} knows no unit {unit!r}",
                todo="learn again with sessions in which it runs",
            )
        known = self.units[unit]
        rows = bin_table(table, width_s=0.0, arm=arm)
        expected, sd, seen = known.model.predict(rows)
        own = np.zeros(len(rows))
        for code in (HELD, HOLDING, MOVING):
            own[rows.motion == code] = known.model.sample_sd_.get(code, 0.0)
        spread = np.sqrt(sd**2 + own**2)
        frame = pl.DataFrame(
            {
                "expected_a": expected,
                "spread_a": spread,
                "low_a": expected - known.band * spread,
                "high_a": expected + known.band * spread,
            }
        ).with_columns(pl.all().fill_nan(None))
        return frame.with_columns(pl.Series("seen", seen))

    # plain data -----------------------------------------------------------------
    def content(self) -> dict[str, Any]:
        """Return what decides about flags, without version and date."""
        return {
            "format": FORMAT,
            "sessions": list(self.sessions),
            "first": self.first.isoformat(),
            "last": self.last.isoformat(),
            "asked": self.asked,
            "units": {k: u.to_plain() for k, u in sorted(self.units.items())},
            "rarity": self.rarity.to_plain(),
            "calibration": self.calibration,
        }

    @classmethod
    def from_plain(cls, data: dict[str, Any]) -> Baseline:
        """Rebuild from a stored document."""
        if data.get("format") != FORMAT:
            raise BaselineError(
                f"baseline of format {data.get('format')}, this program reads {FORMAT}",
                todo="learn again",
            )
        return cls(
            version=data["version"],
            made_at=datetime.fromisoformat(data["made_at"]),
            sessions=tuple(data["sessions"]),
            first=datetime.fromisoformat(data["first"]),
            last=datetime.fromisoformat(data["last"]),
            units={k: UnitModel.from_plain(u) for k, u in data["units"].items()},
            rarity=Rarity.from_plain(data["rarity"]),
            asked=data["asked"],
            calibration=data["calibration"],
        )


def limit_for(asked: float) -> float:
    """Return the score that healthy joint-hours reach ``asked`` times per 100."""
    return float(-np.log10(-np.expm1(-max(asked, 1e-12) / 100)))


def save_baseline(archive: Archive, baseline: Baseline) -> Baseline:
    """Store a baseline under a version of its own, the latest from now on.

    Content that the latest has already is not stored again; that of an older
    one is, so that whoever learns it again also gets it used.
    """
    content = orjson.dumps(
        baseline.content(), option=orjson.OPT_SORT_KEYS | orjson.OPT_SERIALIZE_NUMPY
    )
    digest = hashlib.sha256(content).hexdigest()[:8]
    present = list_versions(archive)
    if present and present[-1].endswith(f"-{digest}"):
        return load_baseline(archive, present[-1])
    number = max((int(v[1:].split("-")[0]) for v in present), default=0) + 1
    baseline.version = f"b{number}-{digest}"
    document = baseline.content() | {
        "version": baseline.version,
        "made_at": baseline.made_at.isoformat(),
    }
    archive.write_document(
        f"{FOLDER}/{baseline.version}.json",
        orjson.dumps(document, option=orjson.OPT_SORT_KEYS | orjson.OPT_SERIALIZE_NUMPY),
    )
    return load_baseline(archive, baseline.version)


def list_versions(archive: Archive) -> list[str]:
    """Return the versions of all stored baselines, oldest first."""
    names = [
        d.rsplit("/", 1)[-1].removesuffix(".json")
        for d in archive.documents(FOLDER)
        if d.endswith(".json")
    ]
    return sorted(names, key=lambda v: int(v[1:].split("-")[0]))


def load_baseline(archive: Archive, version: str | None = None) -> Baseline:
    """Return a stored baseline, the latest by default.

    Raises
    ------
    BaselineError
        There is none, or none of that version.
    """
    present = list_versions(archive)
    if not present:
        raise BaselineError("no baseline yet", todo="run `jointbook learn` first")
    wanted = version or present[-1]
    if wanted not in present:
        raise BaselineError(f"no baseline {wanted!r}", todo=f"there are: {', '.join(present)}")
    return Baseline.from_plain(orjson.loads(archive.read_document(f"{FOLDER}/{wanted}.json")))
