"""Checking many small sessions: what each costs, few or many; one process and two; memory.

    python -m tests.benchmarks.many_sessions ARCHIVE [--counts 10 100 1000] [--rows 300]

ARCHIVE has a baseline, such as the demo's. Into a copy of it go so many copies of the start
of one of its sessions, an hour apart, under names of their own; then `jointbook check` is
timed over the first 10, 100 and so on of them, as a command of its own. What a session costs
beside the command's start is the difference of two counts. Memory is each process's own, the
most that was seen in five looks a second, up to the half of the run and in all of it. Of the
last count one and two processes take turns, each ``--times`` times.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

import polars as pl
import psutil

from replay.archive import Archive, open_archive

LOOK_S = 0.2


@dataclass(frozen=True)
class Took:
    """What a command took."""

    wall_s: float
    cpu_s: float
    half_mb: tuple[float, ...]
    """The most memory of each process in the first half of the run."""
    whole_mb: tuple[float, ...]


def fill(archive: Archive, count: int, rows: int) -> list[str]:
    """Store so many copies of a session's start; print what storing one costs; return names."""
    names = archive.sessions()["session"].to_list()
    source = archive.session(names[0])
    frame = archive.samples(source.session).head(rows).collect()
    made: list[str] = []
    spent, mark = time.process_time(), 0
    for k in range(count):
        shift = timedelta(hours=k + 1, days=365)
        moved = frame.with_columns(pl.col("time") + pl.lit(shift, dtype=pl.Duration("ns")))
        name = f"copy-{k:06d}"
        record = replace(
            source,
            session=name,
            source=f"{name}.csv",
            rows=moved.height,
            start=moved["time"][0],
            end=moved["time"][-1],
            channels={"main": source.channels["main"]},
            raw_sha256=None,
            quality=(),
        )
        archive.add_session(record, {"main": moved})
        made.append(name)
        if k + 1 in (count // 10, count):
            each = (time.process_time() - spent) / (k + 1 - mark)
            print(
                f"stored {mark} to {k + 1}: {1e3 * each:.1f} ms of the processor each", flush=True
            )
            spent, mark = time.process_time(), k + 1
    return made


def check(root: Path, names: list[str], workers: int) -> Took:
    """Check sessions by a command of its own."""
    words = [sys.executable, "-m", "replay", "check", *names, "--archive", str(root)]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begin = time.perf_counter()
    command = subprocess.Popen(
        [*words, "--workers", str(workers)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    seen: dict[int, list[tuple[float, float]]] = {}
    while command.poll() is None:
        time.sleep(LOOK_S)
        try:
            main = psutil.Process(command.pid)
            for one in (main, *main.children()):
                held = one.memory_info().rss / 1e6
                seen.setdefault(one.pid, []).append((time.perf_counter() - begin, held))
        except psutil.Error:
            continue
    wall = time.perf_counter() - begin
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if command.returncode not in (0, 1):
        raise SystemExit(f"check ended with {command.returncode}")
    kept = [looks for looks in seen.values() if len(looks) > 2 and max(m for _, m in looks) > 60]
    half = tuple(max(m for t, m in looks if t <= wall / 2 or t == looks[0][0]) for looks in kept)
    whole = tuple(max(m for _, m in looks) for looks in kept)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Took(wall, cpu, half, whole)


def told(what: str, took: Took) -> str:
    """Return a line."""
    halves = ", ".join(f"{m:.0f}" for m in took.half_mb)
    wholes = ", ".join(f"{m:.0f}" for m in took.whole_mb)
    return (
        f"{what}: wall {took.wall_s:.1f} s, processor {took.cpu_s:.1f} s, memory of each process "
        f"{halves} MB in the first half, {wholes} MB in all; load {os.getloadavg()[0]:.1f}"
    )


def main() -> None:
    """Measure, and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("archive", type=Path)
    parser.add_argument("--counts", type=int, nargs="+", default=[10, 100, 1000])
    parser.add_argument("--rows", type=int, default=300)
    parser.add_argument("--times", type=int, default=2)
    args = parser.parse_args()
    counts = sorted(args.counts)
    with tempfile.TemporaryDirectory(prefix="jointbook-flat-") as scratch:
        root = Path(scratch) / "archive"
        shutil.copytree(args.archive, root)
        names = fill(open_archive(root), counts[-1], args.rows)
        before: tuple[int, float] | None = None
        for count in counts:
            took = check(root, names[:count], 1)
            print(told(f"{count} sessions, one process", took), flush=True)
            if before is not None:
                more = (took.cpu_s - before[1]) / (count - before[0])
                print(
                    f"  each beyond {before[0]}: {1e3 * more:.1f} ms of the processor", flush=True
                )
            before = count, took.cpu_s
        ratios = []
        for _ in range(args.times):
            one, two = (check(root, names[: counts[-1]], workers) for workers in (1, 2))
            print(told("one process", one), told("two processes", two), sep="\n", flush=True)
            ratios.append(one.wall_s / two.wall_s)
        print(f"two processes are {statistics.median(ratios):.2f} times as quick: {ratios}")


if __name__ == "__main__":
    main()
