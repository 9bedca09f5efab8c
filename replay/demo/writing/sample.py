"""The small book of logs that ships with the source, in ``sample_logs/``.

Two years at Tarn Station in eighteen short operations, chosen by hand: one
joint unit whose friction grows, one that grew worse and was replaced, the
others steady; some faults of different kinds; and files as untidy as real
ones.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from replay.demo.faulty.faults import FaultWish
from replay.demo.hardware import Wear
from replay.demo.heron import FIRST_SERIALS, NAMES
from replay.demo.recorder import Habits
from replay.demo.sessions import SessionPlan
from replay.demo.writing.files import FORMATS
from replay.demo.writing.making import LogFile, Upkeep, write_folder
from replay.units import channel

SEED = 2031
REPLACED_ON = datetime(2032, 1, 14, tzinfo=UTC)
SECOND_SERIALS = tuple("TU-108" if s == "TU-102" else s for s in FIRST_SERIALS)
WEAR = (
    Wear("TU-104", "linear", 0.14, since=datetime(2031, 1, 1, tzinfo=UTC)),
    Wear(
        "TU-102",
        "accelerating",
        0.22,
        since=datetime(2031, 1, 1, tzinfo=UTC),
        until=REPLACED_ON,
    ),
)
UPKEEP = (
    Upkeep(
        "TU-102", REPLACED_ON, "replaced", "by TU-108: its friction had grown through the autumn"
    ),
    Upkeep(
        "TU-104",
        datetime(2032, 7, 5, tzinfo=UTC),
        "inspected",
        "no play found; friction is watched",
    ),
)
UNTIDY = Habits(jitter_share=0.08, lost_share=0.004, pauses_per_hour=20.0, stale_per_hour=20.0)


def write_sample(folder: str | Path = "sample_logs") -> list[Path]:
    """Write the sample logs; the same bytes every time."""
    return write_folder(Path(folder), sample_files(), upkeep=UPKEEP).logs


def sample_files() -> list[LogFile]:
    """Return the operations, oldest first."""
    csv, parquet, long, xlsx = (FORMATS[f] for f in ("csv", "parquet", "long", "xlsx"))
    wish = FaultWish
    rows = [
        # day, style, base, payload, format, Hz, faults
        ("2031-02-11T09:30", "inspection", "A", 0.0, csv, 10.0, ()),
        ("2031-03-19T07:10", "cargo move", "A", 900.0, parquet, 15.0, ()),
        ("2031-04-23T13:05", "joint test", "A", 0.0, xlsx, 10.0, ()),
        ("2031-05-28T10:40", "technician", "A", 150.0, csv, 10.0, ()),
        ("2031-07-02T08:00", "walk", "A", 0.0, parquet, 15.0, ()),
        (
            "2031-08-14T06:50",
            "cargo move",
            "B",
            1200.0,
            parquet,
            15.0,
            (wish("brake-drag", joint="J3", after=0.3, strength=3.0),),
        ),
        (
            "2031-09-25T11:20",
            "inspection",
            "B",
            0.0,
            parquet,
            15.0,
            (wish("current-sensor", joint="J6", flavour="offset", after=0.3),),
        ),
        (
            "2031-11-06T09:15",
            "inspection",
            "B",
            0.0,
            long,
            8.0,
            (wish("gap", joint="J2", flavour="channel", after=0.4),),
        ),
        (
            "2031-12-10T14:30",
            "joint test",
            "B",
            0.0,
            parquet,
            15.0,
            (wish("late-release", joint="J5", after=0.2, strength=3.0),),
        ),
        ("2032-01-22T10:00", "joint test", "B", 0.0, parquet, 15.0, ()),
        (
            "2032-03-03T07:45",
            "cargo move",
            "B",
            800.0,
            parquet,
            15.0,
            (
                wish("brake-slip", joint="J4", after=0.3, strength=1.6),
                wish("load", flavour="declared too light"),
            ),
        ),
        (
            "2032-04-14T09:50",
            "technician",
            "B",
            150.0,
            parquet,
            15.0,
            (wish("angle-sensor", joint="J1", flavour="jump", after=0.3),),
        ),
        ("2032-05-26T08:20", "inspection", "B", 0.0, parquet, 15.0, ()),
        (
            "2032-06-30T07:30",
            "walk",
            "B",
            0.0,
            parquet,
            15.0,
            (wish("stick-slip", joint="J7", after=0.3, strength=3.0),),
        ),
        (
            "2032-08-11T12:15",
            "inspection",
            "A",
            0.0,
            parquet,
            15.0,
            (wish("stall", after=0.4, strength=7.0),),
        ),
        (
            "2032-09-22T06:40",
            "cargo move",
            "A",
            1000.0,
            parquet,
            15.0,
            (wish("friction", joint="J5", flavour="growth", after=0.3),),
        ),
        ("2032-10-27T10:10", "inspection", "A", 0.0, csv, 10.0, ()),
        ("2032-11-24T09:00", "joint test", "A", 0.0, parquet, 15.0, ()),
    ]
    spoiled = {
        "2032-05-26T08:20": _cut_parquet,
        "2032-10-27T10:10": _cut_mid_row,
    }
    files = []
    for number, (day, style, base, payload, form, hertz, faults) in enumerate(rows):
        start = datetime.fromisoformat(day + ":00+00:00")
        plan = SessionPlan(
            start=start,
            minutes=14.0 if form is parquet else 6.0,  # the others take far more room
            rate_hz=hertz,
            style=style,
            base_end=base,
            payload_kg=payload,
            arm_seed=SEED,
            units=FIRST_SERIALS if start < REPLACED_ON else SECOND_SERIALS,
            wear=WEAR,
            habits=UNTIDY if form is csv else Habits(),
            faults=faults,
        )
        files.append(
            LogFile(
                plan,
                form,
                f"{start:%Y-%m-%d}-{style.replace(' ', '-')}{form.suffix}",
                SEED + number,
                spoil=spoiled.get(day),
                readable=day != "2032-05-26T08:20",
                spoil_frame=_lost_word if style == "technician" and form is csv else None,
            )
        )
    return files


def _lost_word(frame: pl.DataFrame) -> pl.DataFrame:
    """Make J5's brake say neither engaged nor released for a while."""
    name = channel(NAMES[4], "brake_engaged")
    row = pl.int_range(pl.len())
    hidden = (row > 1800) & (row < 1825)
    return frame.with_columns(pl.when(hidden).then(None).otherwise(pl.col(name)).alias(name))


def _cut_parquet(path: Path) -> None:
    """Cut a Parquet file before its footer, as a broken transfer does."""
    content = path.read_bytes()
    path.write_bytes(content[: int(len(content) * 0.6)])


def _cut_mid_row(path: Path) -> None:
    """Cut a text file in the middle of its last row."""
    content = path.read_bytes()
    end = content.rindex(b"\n", 0, int(len(content) * 0.9))
    path.write_bytes(content[: end + 60])
