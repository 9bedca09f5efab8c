"""What a catalogue of many sessions costs: to open, to list, to filter, to add one to.

Run by hand: ``python -m tests.benchmarks.catalogue_size [--sessions 10000 1000000] [--keep DIR]``.
The rows are made up (a record of some 0.4 kB each, arms in turn, one session an arm and day);
they go in through the archive's own commits, without samples. Each act is done by a process of
its own that has read nothing: its bytes are those it asked the system for, from the cache or
not; its memory is the most it held. Ten million rows take 2 to 3 GB of disk.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl

from replay.archive import catalogue, open_archive
from replay.archive.schemas import TABLES
from replay.archive.tables import parts
from replay.records import Session

ARMS = 1000
CHUNK = 100_000
"""A part, as an archive that grows session by session makes them."""
LATE = 40
"""So many of the last sessions have each a file of its own, as between two merges."""
START = datetime(2031, 1, 1, tzinfo=UTC)
JOINTS = ("J1",)

ACTS = {
    "open": "",
    "is one there": "archive.has_session(NEWEST)",
    "one record": "archive.session(NEWEST)",
    "one record of long ago": "archive.listed_record(OLD)",
    "newest page": "archive.newest(300)",
    "how many": "archive.count()",
    "an arm's month": "archive.within(arm='arm 7', begins=(LATE, None)).height",
    "add one": "add_session(archive, '21310101T000000Z-one-more', day=40_000)",
    "add one of years ago": "add_session(archive, '20310301T000000Z-one-more', day=60)",
    "all of it": "archive.sessions()",
}


def record(arm: str, start: datetime, session: str) -> Session:
    """Return a session's record as the rows have it."""
    return Session(
        session=session,
        source="made.csv",
        arm=arm,
        rows=1000,
        start=start,
        end=start + timedelta(minutes=5),
        joints=JOINTS,
        units={"J1": f"{arm} J1"},
        channels={"main": ("J1.current_a",)},
        completeness=1.0,
    )


def rows(first: int, count: int, packed: int = 0) -> pl.DataFrame:
    """Return a stretch of the catalogue's rows, in the order in which sessions come.

    With ``packed`` each record has noise that cannot be packed to fewer bytes than that.
    """
    plain = catalogue.record_text(record("ARM", START, "NAME"))
    pattern = catalogue.row(record("ARM", START, "NAME")).drop("record")
    numbers = pl.int_range(first, first + count, eager=True)
    day = numbers // ARMS
    frame = pl.DataFrame({"n": numbers, "day": day}).select(
        arm=pl.format("arm {}", pl.col("n") % ARMS),
        start=(pl.lit(START) + pl.duration(days=pl.col("day"), seconds=pl.col("n") % ARMS)).cast(
            TABLES["sessions"]["start"]
        ),
    )
    stamped = pl.col("start").dt.strftime("%Y%m%dT%H%M%SZ")
    frame = frame.with_columns(session=stamped + "-" + pl.col("arm").str.replace(" ", "-"))
    frame = frame.with_columns(
        end=pl.col("start") + pl.duration(minutes=5),
        record=pl.concat_str(
            pl.col({"NAME": "session", "ARM": "arm"}[part])
            if part in ("NAME", "ARM")
            else pl.lit(part)
            for part in re.split("(NAME|ARM)", plain)
        ),
    )
    if packed:
        noise = pl.Series([os.urandom(packed).hex() for _ in range(count)])
        plain_end = pl.col("record").str.strip_suffix("}")
        frame = frame.with_columns(record=plain_end + ', "noise": "' + noise + '"}')
    rest = pattern.drop("arm", "session", "start", "end")
    return frame.join(rest, how="cross").select(list(TABLES["sessions"]))


def make(root: Path, count: int, packed: int = 0) -> None:
    """Make an archive whose catalogue has so many sessions, the last ones not in parts yet."""
    archive = open_archive(root, create=True)
    chunk = min(CHUNK, parts.PART_BYTES // packed) if packed else CHUNK
    late = min(LATE, count // 2)
    for first in range(0, count - late, chunk):
        archive.append("sessions", rows(first, min(chunk, count - late - first), packed))
    archive.tables.tidy("sessions")
    for one in range(count - late, count):
        archive.append("sessions", rows(one, 1, packed))
    assert archive.count() == count


def act(root: Path, what: str, count: int) -> dict[str, float]:
    """Do one act in a process of its own; return seconds, bytes and memory."""
    newest = str(rows(count - 1, 1)["session"][0])
    old = str(rows(count // 3, 1)["session"][0])
    late = f"datetime({(START + timedelta(days=max(count // ARMS - 30, 0))).strftime('%Y, %m, %d')}"
    late = late.replace(", 0", ", ") + ", tzinfo=UTC)"
    names = f"NEWEST, OLD, LATE = {newest!r}, {old!r}, {late}"
    return alone(root, names, ACTS[what])


def alone(root: Path, names: str, what: str) -> dict[str, float]:
    """Run a line of code on an opened archive in a process of its own; return what it took."""
    code = f"""
import json, time
from datetime import UTC, datetime
import polars as pl
from replay.archive import open_archive
from tests.reviews.makers import add_session
{names}
def read():
    return int(next(s for s in open("/proc/self/io") if s.startswith("rchar")).split()[1])
def held():
    return int(next(s for s in open("/proc/self/status") if s.startswith("VmHWM")).split()[1])
before, begin, spent = read(), time.perf_counter(), time.process_time()
archive = open_archive({str(root)!r})
{what}
print(json.dumps({{"wall_s": time.perf_counter() - begin, "cpu_s": time.process_time() - spent,
    "read_mb": (read() - before) / 1e6,
    "peak_mb": held() / 1e3}}))
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    if done.returncode:
        return {"failed": 1.0, "code": float(done.returncode)}
    return dict(json.loads(done.stdout.splitlines()[-1]))


def main() -> None:
    """Measure, and print a line an act."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, nargs="+", default=[10_000, 1_000_000])
    parser.add_argument("--packed-bytes", type=int, default=0, help="what a record packs to")
    parser.add_argument("--keep", type=Path, help="make it there and leave it")
    args = parser.parse_args()
    for count in args.sessions:
        root = (args.keep or Path(tempfile.mkdtemp(prefix="jointbook-catalogue-"))) / str(count)
        begin = time.perf_counter()
        make(root, count, args.packed_bytes)
        octets = sum(p.stat().st_size for p in root.rglob("*") if p.is_file())
        took, load = time.perf_counter() - begin, os.getloadavg()[0]
        print(f"{count} sessions, {octets / 1e6:.0f} MB, made in {took:.0f} s, load {load:.1f}")
        for what in ACTS:
            said = ", ".join(f"{k} {v:.2f}" for k, v in act(root, what, count).items())
            print(f"  {what}: {said}", flush=True)
        if args.keep is None:
            shutil.rmtree(root.parent)


if __name__ == "__main__":
    main()
