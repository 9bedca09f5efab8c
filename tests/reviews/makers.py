"""Small archives with flags at known instants, for what people do with them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from replay.archive import Archive, open_archive
from replay.records import Session

T0 = datetime(2031, 4, 2, 9, 0, tzinfo=UTC)
JOINTS = ("J1", "J2", "J3", "J4")


def at(seconds: float) -> datetime:
    return T0 + timedelta(seconds=seconds)


def flag_row(flag: str, joint: str = "J1", severity: str = "look", **words: Any) -> dict[str, Any]:
    """One row of the table `flags`."""
    start = words.pop("start", 10.0)
    row = {
        "flag": flag,
        "session": "s1",
        "joint": joint,
        "unit": f"TU-{joint}" if joint else "",
        "kind": "friction",
        "start": at(start),
        "end": at(words.pop("end", start + 2.0)),
        "score": 5.0,
        "severity": severity,
        "summary": f"{joint or 'every joint'}: more current than usual",
        "baseline": "B1",
        "group": None,
        "evidence": '{"extra_a": 0.4}',
    }
    return row | words


def keep_flags(archive: Archive, *rows: dict[str, Any], session: str = "s1", **check: Any) -> None:
    """Store flags as a check of one session would, with the check's own row."""
    schema = {"baseline": pl.String, "group": pl.String}
    frame = pl.DataFrame([r | {"session": session} for r in rows], schema_overrides=schema)
    archive.replace("flags", frame, session=[session])
    archive.replace(
        "checks",
        pl.DataFrame(
            [
                {
                    "session": session,
                    "baseline": "B1",
                    "checked_at": at(4000),
                    "expected_false_flags": 0.01,
                    "joint_hours": 0.05,
                    "asked_rate": 1.0,
                    "note": "no promise",
                }
                | check
            ]
        ),
        session=[session],
    )


def add_session(
    archive: Archive,
    name: str = "s1",
    arm: str = "Heron",
    day: int = 0,
    *,
    serials: bool = True,
    **how: Any,
) -> None:
    """Add a minute of one current, from `T0` on."""
    start = T0 + timedelta(days=day)
    end = start + timedelta(seconds=60)
    times = pl.datetime_range(start, end, "100ms", time_unit="ns", time_zone="UTC", eager=True)
    frame = pl.DataFrame({"time": times}).with_columns(pl.lit(1.0).alias("J1.current_a"))
    archive.add_session(
        Session(
            session=name,
            source="heron.csv",
            arm=arm,
            rows=frame.height,
            start=start,
            end=end,
            joints=JOINTS,
            units={j: f"TU-{j}" for j in JOINTS} if serials else {},
            channels={"main": ("J1.current_a",)},
            completeness=0.99,
        ),
        {"main": frame},
        **how,
    )


def make_archive(root: Path) -> Archive:
    """One session: a contact on three joints, one drag on J4, a gap on every joint."""
    archive = open_archive(root, create=True)
    add_session(archive)
    keep_flags(
        archive,
        flag_row("f1", "J1", "act", group="G1", score=9.0, kind="stall"),
        flag_row("f2", "J2", "look", group="G1", score=7.0, kind="stall", start=10.2),
        flag_row("f3", "J3", "note", group="G1", score=4.0, kind="stall", start=10.4),
        flag_row("f4", "J4", "look", score=6.0, start=30.0),
        flag_row("f5", "", "note", score=3.0, kind="gap", start=50.0),
    )
    return archive
