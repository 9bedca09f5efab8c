"""Many logs taken in by one process and by one a core, each side in turn, in one run.

Run by hand: ``python -m tests.benchmarks.ingest_many [--logs 24] [--rows 30000] [--times 3]``.
With ``--known`` the logs lie in the archive before, and what is timed finds nothing new.
Wall time is the command's own, from its start to its end; processor time is that of all its
processes. Where others use the machine too, the wall says how much of it was left.
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
from pathlib import Path

from tests.benchmarks.ingest_speed import MAP, write_log
from tests.start import HOUR_NS, START_NS


def write(folder: Path, count: int, rows: int) -> None:
    """Write logs of one arm, an hour apart each."""
    folder.mkdir()
    for k in range(count):
        write_log(folder / f"log{k:03d}.csv", rows, start_ns=START_NS + k * HOUR_NS, seed=k)


def took(
    logs: Path, log_map: Path, archive: Path, workers: int, threads: int
) -> tuple[float, float]:
    """Take the logs in; return wall and processor seconds of the whole command."""
    words = [sys.executable, "-m", "replay", "ingest", str(logs), "--map", str(log_map)]
    words += ["--archive", str(archive), "--workers", str(workers)]
    some = os.environ | {"POLARS_MAX_THREADS": str(threads)}
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begin = time.perf_counter()
    subprocess.run(
        words, check=True, env=some, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    wall = time.perf_counter() - begin
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Measure, and print each pair and the medians."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--logs", type=int, default=24)
    parser.add_argument("--rows", type=int, default=30_000)
    parser.add_argument("--times", type=int, default=3)
    parser.add_argument("--known", action="store_true")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="jointbook-many-") as scratch:
        folder = Path(scratch)
        write(folder / "logs", args.logs, args.rows)
        (folder / "map.toml").write_text(MAP)
        size = sum(p.stat().st_size for p in (folder / "logs").iterdir())
        print(f"{args.logs} logs, {size / 1e6:.0f} MB, {len(os.sched_getaffinity(0))} cores")
        sides = {"one thread": (1, 1), "one process": (1, 2), "two processes": (2, 2)}
        if args.known:
            took(folder / "logs", folder / "map.toml", folder / "a", 1, 2)
        found: dict[str, list[tuple[float, float]]] = {side: [] for side in sides}
        for turn in range(args.times):
            for side, (workers, threads) in sides.items():
                one = took(folder / "logs", folder / "map.toml", folder / "a", workers, threads)
                if not args.known:
                    shutil.rmtree(folder / "a")
                found[side].append(one)
                load = os.getloadavg()[0]
                print(f"{turn} {side}: wall {one[0]:.1f} s, CPU {one[1]:.1f} s, load {load:.1f}")
        for side in ("one thread", "one process"):
            pairs = zip(found[side], found["two processes"], strict=True)
            ratios = [(a[0] / b[0], a[1] / b[1]) for a, b in pairs]
            wall, cpu = (statistics.median(r[k] for r in ratios) for k in (0, 1))
            print(f"two processes against {side}: wall {wall:.2f}x quicker, CPU {1 / cpu:.2f}x")


if __name__ == "__main__":
    main()
