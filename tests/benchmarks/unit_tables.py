"""What a table of joint units' histories costs: to ask for a unit, to add or measure a session.

Run by hand: ``python -m tests.benchmarks.unit_tables [--sessions 10000 100000] [--arms 1000]``.
Rows are made up, 154 a session (22 indicators of 7 units), of the arms in turn, some
hundred sessions a commit; then the table is compacted. The catalogue lists the same sessions.
What is judged of the units is judged of the first arm and kept under the names of the
others too: to judge 154,000 histories takes hours, to read what was judged is what is asked
here. Each act is done by a process of its own, as in `catalogue_size`, which says what is
measured. ``--keep`` leaves the archive; with a program of before (``--acts-only``) the same
archive is asked what that one can answer.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import tempfile
import time
from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import orjson
import polars as pl

from replay.archive import Archive, open_archive
from replay.wear.indicators import METHOD
from tests.benchmarks import catalogue_size
from tests.benchmarks.catalogue_size import alone

ARMS = 1000
JUDGED = 1
"""So many arms are judged, for all the others."""
BATCH = 2000
JOINTS, INDICATORS = 7, 22
START = datetime(2031, 1, 1, tzinfo=UTC)

NAMES = """
from replay.archive import Archive
from tests.benchmarks import unit_tables
from tests.benchmarks.unit_tables import rows, session_of, units_of
unit_tables.ARMS = ARMS = {arms}
COUNT, NEW, OLD = {count}, {count}, {count} // 3
MINE = 'arm 7 J3'
from dashboards.queries import wear  # what is loaded is not counted
from replay.cli.main import main
from replay.cli.wear import wear as _
from replay.wear import trends, unit_history
from replay.wear.assessment.change_points import make_ready
make_ready()
def unmeasured():
    return wear.unmeasured(archive)
def plot(unit=MINE):
    return unit_history(archive, unit, 'indicator 3')
def judged(unit=MINE):
    return len(trends(archive, serial=unit))
def all_judged():
    return len(wear.all_trends(archive))
def command(*words):
    return main(['wear', *words, '--archive', str(archive.root), '--out', '/tmp/unit-tables.csv'])
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
    "a unit's history": "assert history(MINE).height == 22 * (COUNT // ARMS)",
    "an arm's history": "assert history(*units_of(7)).height == 154 * (COUNT // ARMS)",
    "how many are not measured": "assert unmeasured() == 0",
    "one unit's plot": "assert plot().points.height == COUNT // ARMS",
    "one unit's trends": "assert judged() == 22",
    "all trends, as on the page": "assert all_judged() == 154 * ARMS",
    "`wear --serial`": "assert command('--serial', MINE) == 0",
    "a new session's rows": "archive.rows_of('indicators', [session_of(COUNT - 1)], "
    "**known(COUNT - 1))",
    "an old session's rows": "archive.rows_of('indicators', [session_of(OLD)], **known(OLD))",
    "store a new session's": "measure(NEW)",
    "measure an old one again": "measure(OLD)",
    "how many are not measured then": "assert unmeasured() == 0",
    "plot of another unit then": "assert plot().points.height == COUNT // ARMS",
    "plot of the unit measured": "assert plot(units_of(NEW)[2]).points.height == COUNT // ARMS + 1",
    "its trends, the second time": "assert judged(units_of(NEW)[2]) == 22",
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
        baseline=pl.lit(""),
        at=pl.col("start") + timedelta(seconds=40),
        temperature_c=pl.Series(told),
        load_nm=pl.Series(told * 3.0),
        base_end=pl.lit("B"),
        method=pl.lit(METHOD, dtype=pl.Int64),
        reference_stage=pl.lit(3, dtype=pl.Int64),
    ).with_columns(pl.col("start", "at").cast(pl.Datetime("us", "UTC")))  # fmt: skip


def make(root: Path, count: int) -> None:
    """Make an archive with the indicators of so many sessions."""
    archive = open_archive(root, create=True)
    for first in range(0, count, BATCH):
        end = min(first + BATCH, count)
        archive.append("indicators", rows(first, end))
    archive.tables.tidy("indicators", keep_hours=0, drop=True)
    catalogue_size.ARMS = ARMS
    for first in range(0, count, catalogue_size.CHUNK):
        end = min(first + catalogue_size.CHUNK, count)
        archive.append("sessions", catalogue_size.rows(first, end - first))


def keep_judged(archive: Archive) -> None:
    """Judge the units of some arms, and keep that for all; a program of before keeps it its way."""
    from replay.wear import judge
    from replay.wear.assessment import trend_cache
    from replay.wear.histories.kind_laws import kind_laws
    from replay.wear.reference import store

    few = [unit for arm in range(JUDGED) for unit in units_of(arm)]
    table = trend_cache.indicator_rows(archive, few)
    found = judge(table, archive.table("maintenance"), {})
    laws = kind_laws(table, newcomers=True)

    def of_all(serial: str) -> list[str]:
        arm, joint = int(serial.split()[1]), serial.split()[2]
        return [f"arm {other} {joint}" for other in range(arm, ARMS, JUDGED)]

    trends = [
        replace(t, serial=serial, arm=serial.rpartition(" ")[0])
        for t in found
        for serial in of_all(t.serial)
    ]
    spread = {
        (serial, name): law
        for (one, name), law in laws.items()
        for serial in (of_all(one) if one else [one])
    }
    mark = archive.tables.mark("indicators")
    marks = dict.fromkeys([t.serial for t in trends], mark) | {"": mark}
    kept = trend_cache.Kept(trends, {}, marks, spread, frozenset(), behind=False)
    trend_cache.write(archive, "time", kept, {}, {})
    archive.roll("indicators")
    reference = {"stage": 3, "usual_rate_deg_s": 1.0, "names": [], "beta": [], "bends": [],
                 "viscous": [0.0, 0.0], "motion_spread_a": 0.01, "row_spread_a": 0.01,
                 "slope_spread": 0.01}  # fmt: skip
    units = {unit: reference for arm in range(ARMS) for unit in units_of(arm)}
    document = {"method": store.METHOD, "units": units}
    archive.write_document(store.DOCUMENT, json.dumps(document).encode())
    # as the program before this one kept them
    version = archive.tables.version("indicators")
    before = {"stamp": f"{trend_cache.program()}; indicators {version}", "notes": {}, "bounds": {},
              "trends": [asdict(t) for t in trends]}  # fmt: skip
    text = orjson.dumps(before, option=orjson.OPT_SERIALIZE_NUMPY)
    archive.write_document("wear/trends-time.json", text)


def main() -> None:
    """Measure, and print a line an act."""
    global ARMS
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, nargs="+", default=[10_000, 100_000])
    parser.add_argument("--keep", type=Path, help="make it there and leave it")
    parser.add_argument("--arms", type=int, default=1000)
    parser.add_argument("--acts-only", action="store_true", help="ask an archive that was kept")
    args = parser.parse_args()
    ARMS = args.arms
    for count in args.sessions:
        root = (args.keep or Path(tempfile.mkdtemp(prefix="jointbook-units-"))) / str(count)
        begin, spent = time.perf_counter(), time.process_time()
        if not args.acts_only:
            make(root, count)
            keep_judged(open_archive(root))
        held = open_archive(root).tables.bounds("indicators", ("session", "serial"))
        octets = sum(p.stat().st_size for p in root.rglob("*") if p.is_file())
        print(
            f"{count} sessions of {ARMS} arms, {sum(b.rows for b in held)} rows in "
            f"{len(held)} files, "
            f"{octets / 1e6:.0f} MB, made in {time.perf_counter() - begin:.0f} s, "
            f"{time.process_time() - spent:.0f} s of the processor, load {os.getloadavg()[0]:.1f}"
        )
        for what, line in ACTS.items():
            taken = alone(root, NAMES.format(count=count, arms=ARMS), line)
            print(f"  {what}: {', '.join(f'{k} {v:.2f}' for k, v in taken.items())}", flush=True)
        if args.keep is None:
            shutil.rmtree(root.parent)


if __name__ == "__main__":
    main()
