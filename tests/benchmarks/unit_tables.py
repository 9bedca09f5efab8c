"""What a table of joint units' histories costs: to ask for a unit, to add or measure a session.

Run by hand: ``python -m tests.benchmarks.unit_tables [--sessions 10000 100000] [--keep DIR]``.
Rows are made up, 154 a session (22 indicators of 7 units), of a thousand arms in turn, some
hundred sessions a commit; then the table is compacted. Each act is done by a process of its own,
as in `catalogue_size`, which says what is measured.
"""

from __future__ import annotations

import argparse
import os
import shutil
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from replay.archive import open_archive
from tests.benchmarks.catalogue_size import alone

ARMS = 1000
BATCH = 200
JOINTS, INDICATORS = 7, 22
START = datetime(2031, 1, 1, tzinfo=UTC)

NAMES = """
from replay.archive import Archive
from tests.benchmarks.unit_tables import rows, session_of, units_of
COUNT, NEW, OLD = {count}, {count}, {count} // 3
BY_UNIT = hasattr(Archive, "rows_of_units")  # else a program of before is measured
def history(*units):
    if BY_UNIT:
        return archive.rows_of_units("indicators", units)
    return archive.scan_table("indicators").filter(pl.col("serial").is_in(units)).collect()
def known(n):
    return {{"units": units_of(n)}} if BY_UNIT else {{}}
def measure(n):
    archive.replace("indicators", rows(n, n + 1), session=[session_of(n)], **known(n))
"""
ACTS = {
    "a unit's history": "assert history('arm 7 J3').height == 22 * (COUNT // 1000)",
    "an arm's history": "assert history(*units_of(7)).height == 154 * (COUNT // 1000)",
    "a new session's rows": "archive.rows_of('indicators', [session_of(COUNT - 1)], "
    "**known(COUNT - 1))",
    "an old session's rows": "archive.rows_of('indicators', [session_of(OLD)], **known(OLD))",
    "store a new session's": "measure(NEW)",
    "measure an old one again": "measure(OLD)",
}


def session_of(number: int) -> str:
    """Return a session's name: one an arm and day."""
    start = START + timedelta(days=number // ARMS, seconds=number % ARMS)
    return f"{start:%Y%m%dT%H%M%SZ}-arm-{number % ARMS}"


def units_of(number: int) -> list[str]:
    """Return the keys of a session's joint units."""
    return [f"arm {number % ARMS} J{joint}" for joint in range(1, JOINTS + 1)]


def rows(first: int, end: int) -> pl.DataFrame:
    """Return the rows of some sessions, in the order in which they are stored."""
    draw = np.random.default_rng(first)
    each = JOINTS * INDICATORS
    sessions = pl.DataFrame(
        {
            "session": [session_of(n) for n in range(first, end)],
            "arm": [f"arm {n % ARMS}" for n in range(first, end)],
            "start": [
                START + timedelta(days=n // ARMS, seconds=n % ARMS) for n in range(first, end)
            ],
        }
    )
    count = sessions.height * each
    joint = pl.Series(np.tile(np.repeat(np.arange(1, JOINTS + 1), INDICATORS), sessions.height))
    told = draw.normal(20.0, 5.0, sessions.height * JOINTS).repeat(INDICATORS)
    return sessions.select(pl.all().repeat_by(each)).explode(pl.all()).with_columns(
        joint=pl.format("J{}", joint),
        serial=pl.format("{} J{}", pl.col("arm"), joint),
        indicator=pl.format("indicator {}", pl.Series(np.arange(count) % INDICATORS)),
        unit=pl.lit("A"),
        value=pl.Series(draw.normal(1.0, 0.1, count)),
        se=pl.Series(draw.normal(0.1, 0.01, count)),
        n=pl.Series(draw.integers(1, 500, count)),
        baseline=pl.lit("B-20310101"),
        at=pl.col("start") + timedelta(seconds=40),
        temperature_c=pl.Series(told),
        load_nm=pl.Series(told * 3.0),
        base_end=pl.lit("B"),
        method=pl.lit(13, dtype=pl.Int64),
    ).with_columns(pl.col("start", "at").cast(pl.Datetime("us", "UTC")))  # fmt: skip


def make(root: Path, count: int) -> None:
    """Make an archive with the indicators of so many sessions."""
    archive = open_archive(root, create=True)
    for first in range(0, count, BATCH):
        end = min(first + BATCH, count)
        archive.append("indicators", rows(first, end))
    archive.tables.tidy("indicators", keep_hours=0, drop=True)


def main() -> None:
    """Measure, and print a line an act."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, nargs="+", default=[10_000, 100_000])
    parser.add_argument("--keep", type=Path, help="make it there and leave it")
    args = parser.parse_args()
    for count in args.sessions:
        root = (args.keep or Path(tempfile.mkdtemp(prefix="jointbook-units-"))) / str(count)
        begin, spent = time.perf_counter(), time.process_time()
        make(root, count)
        held = open_archive(root).tables.bounds("indicators", ("session", "serial"))
        octets = sum(p.stat().st_size for p in root.rglob("*") if p.is_file())
        print(
            f"{count} sessions, {sum(b.rows for b in held)} rows in {len(held)} files, "
            f"{octets / 1e6:.0f} MB, made in {time.perf_counter() - begin:.0f} s, "
            f"{time.process_time() - spent:.0f} s of the processor, load {os.getloadavg()[0]:.1f}"
        )
        for what, line in ACTS.items():
            taken = alone(root, NAMES.format(count=count), line)
            print(f"  {what}: {', '.join(f'{k} {v:.2f}' for k, v in taken.items())}", flush=True)
        if args.keep is None:
            shutil.rmtree(root.parent)


if __name__ == "__main__":
    main()
