"""How fast the archive answers, beside the bare library in the same run.

    python tests/benchmarks/archive_reads.py [--hours 24] [--sessions 10000] [--keep DIR]

Prints, for a session of 100 Hz and 28 channels: storing it and its size against
polars' own `sink_parquet`; 60 s of 14 channels against a bare read of the row
groups by pyarrow and against polars' scan; plots of several widths; runs of a
brake. Then the catalogue with many sessions. Times are the median of nine in
milliseconds, files in the page cache.
"""

from __future__ import annotations

import argparse
import itertools
import statistics
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pyarrow.parquet as pq

from replay.archive import Archive, catalogue, open_archive
from replay.records import QualityNote, Session

START = datetime(2031, 3, 1, tzinfo=UTC)
HZ = 100


def median_ms(work: Callable[[], Any], times: int = 9) -> float:
    """Median wall time of a call, in ms."""
    taken = []
    for _ in range(times):
        began = time.perf_counter()
        work()
        taken.append((time.perf_counter() - began) * 1e3)
    return statistics.median(taken)


def day(hours: float) -> pl.DataFrame:
    """A session of seven joints: angles, rates, currents, temperatures, brakes."""
    rows = int(hours * 3600 * HZ)
    noise = np.random.default_rng(1)
    step = np.arange(rows, dtype=np.int64)
    time_ns = int(START.timestamp()) * 10**9 + step * (10**9 // HZ)
    columns: dict[str, Any] = {"time": pl.Series(time_ns).cast(pl.Datetime("ns", "UTC"))}
    for joint in range(1, 8):
        angle = 90 * np.sin(step / 4000 * joint / 7)
        columns |= {
            f"J{joint}.angle_deg": np.round(angle + noise.normal(0, 0.01, rows), 3),
            f"J{joint}.rate_deg_s": np.round(noise.normal(0, 0.1, rows), 4),
            f"J{joint}.current_a": np.round(noise.normal(0, 0.3, rows) + np.sign(angle), 3),
            f"J{joint}.temperature_c": np.round(20 + step / rows * 10 + noise.normal(0, 0.05), 2),
        }
    columns["J1.brake_engaged"] = step // 30_000 % 2 == 0
    return pl.DataFrame(columns)


def record(name: str, start: datetime, channels: tuple[str, ...], rows: int) -> Session:
    """A record of about the size that real ones have."""
    joints = tuple(f"J{n}" for n in range(1, 8))
    return Session(
        session=name,
        source=f"{name}.csv",
        arm="Heron",
        rows=rows,
        start=start,
        end=start + timedelta(hours=1),
        joints=joints,
        units={j: f"TU-10{n}" for n, j in enumerate(joints)},
        channels={"main": channels},
        base_end="A",
        payload_kg=float(rows % 900),
        arm_toml="# arm\n" * 500,
        map_toml="# map\n" * 200,
        quality=tuple(QualityNote("gap", f"{n} s", start=start, end=start) for n in range(5)),
    )


def one_long_session(archive: Archive, folder: Path, hours: float) -> None:
    """Store a session, then read windows of it."""
    frame = day(hours)
    channels = tuple(c for c in frame.columns if c != "time")
    source = folder / "source.parquet"
    frame.write_parquet(source)
    del frame

    bare = folder / "bare.parquet"
    began = time.perf_counter()
    pl.scan_parquet(source).sink_parquet(bare, compression="zstd", row_group_size=65536)
    bare_s = time.perf_counter() - began
    began = time.perf_counter()
    archive.add_session(record("day", START, channels, 1), {"main": pl.scan_parquet(source)})
    own_s = time.perf_counter() - began
    held = archive.root / "samples/day"
    own_bytes = sum(p.stat().st_size for p in held.rglob("*") if p.is_file())
    print(f"store {hours:g} h: {own_s:.1f} s, bare sink {bare_s:.1f} s, ratio {own_s / bare_s:.2f}")
    print(
        f"size: {own_bytes / 1e6:.0f} MB, ratio {own_bytes / bare.stat().st_size:.3f} of the bare"
    )

    wanted = list(channels[:14])
    start = START + timedelta(hours=hours * 0.4)
    end = start + timedelta(seconds=60)
    path = held / "main.parquet"

    def by_row_group() -> Any:
        file = pq.ParquetFile(path)
        low, high = (
            np.datetime64(start.replace(tzinfo=None)),
            np.datetime64(end.replace(tzinfo=None)),
        )
        groups = [
            n
            for n in range(file.metadata.num_row_groups)
            if (s := file.metadata.row_group(n).column(0).statistics)
            and np.datetime64(s.max.replace(tzinfo=None)) >= low
            and np.datetime64(s.min.replace(tzinfo=None)) < high
        ]
        return file.read_row_groups(groups, columns=["time", *wanted])

    def by_polars() -> Any:
        time_ = pl.col("time")
        frame = pl.scan_parquet(path).select("time", *wanted)
        return frame.filter(time_ >= start, time_ < end).collect()

    def ours() -> Any:
        return archive.samples("day", channels=wanted, start=start, end=end).collect()

    assert ours().height == 60 * HZ
    floor, polars, own = median_ms(by_row_group), median_ms(by_polars), median_ms(ours)
    print(
        f"60 s of 14 channels: {own:.1f} ms, bare row groups {floor:.1f} ms (ratio "
        f"{own / floor:.2f}), polars scan {polars:.1f} ms (ratio {own / polars:.2f})"
    )
    numbers = [c for c in channels if not c.endswith("engaged")]
    for seconds in (10, 60, 600, 1200, 3600, 4 * 3600, hours * 3600):
        end = start + timedelta(seconds=seconds)
        first = START if seconds == hours * 3600 else start
        taken = median_ms(lambda f=first, e=end: archive.window("day", numbers, f, e))
        print(f"plot of {seconds:.0f} s, 28 channels, 2000 points: {taken:.1f} ms")
    taken = median_ms(lambda: archive.spans("day", "J1.brake_engaged"))
    print(f"runs of a brake over {hours:g} h: {taken:.1f} ms")


def many_sessions(root: Path, count: int) -> None:
    """List, filter and pick among many sessions."""
    archive = open_archive(root, create=True)
    channels = tuple(
        f"J{j}.{q}" for j in range(1, 8) for q in ("angle_deg", "rate_deg_s", "current_a")
    )
    one_by_one = min(count, 200)
    batches = [*range(0, count - one_by_one, 500), count - one_by_one]
    made = [record(f"s{n:05d}", START + timedelta(hours=2 * n), channels, n) for n in range(count)]
    for low, high in itertools.pairwise(batches):
        archive.append("sessions", pl.concat([catalogue.row(r) for r in made[low:high]]))
    began = time.perf_counter()
    for r in made[count - one_by_one :]:
        archive.replace("sessions", catalogue.row(r), session=[r.session])
    each = (time.perf_counter() - began) / one_by_one * 1e3
    print(f"catalogue of {count}: a commit {each:.1f} ms")

    def pick() -> None:
        archive = open_archive(root)
        listed = archive.sessions()
        found = listed.filter(pl.col("payload_kg") > 400, pl.col("start") > START)
        archive.session(found["session"][found.height // 2])

    kept = open_archive(root)

    def pick_again() -> None:
        listed = kept.sessions()
        found = listed.filter(pl.col("payload_kg") > 400, pl.col("start") > START)
        kept.session(found["session"][found.height // 2])

    print(f"list, filter, pick: opened afresh {median_ms(pick):.1f} ms", end=", ")
    print(f"kept open {median_ms(pick_again):.2f} ms")


def main() -> None:
    """Run both and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=24)
    parser.add_argument("--sessions", type=int, default=10_000)
    parser.add_argument("--keep", type=Path, help="work here and leave it")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = args.keep or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        many_sessions(folder / "many", args.sessions)
        one_long_session(open_archive(folder / "long", create=True), folder, args.hours)


if __name__ == "__main__":
    main()
