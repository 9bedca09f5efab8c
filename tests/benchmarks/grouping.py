"""Grouping many files into sessions: seconds a file must not grow with their number.

.venv/bin/python -m tests.benchmarks.grouping [500 10000]
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import polars as pl

from replay.cleaning.session_grouping import gather
from replay.logs import load_map
from tests.cleaning.logs import MAP, table


def seconds(count: int, split: bool) -> float:
    """Return how long it takes to group so many tiny logs, or halves of logs."""
    with tempfile.TemporaryDirectory() as folder:
        frame = table(20)
        whole = [c for c in frame.columns if c != "t"]
        for n in range(count):
            day, hour = divmod(n // 2 if split else n, 24)
            stamp = f"2031-{1 + day // 28 % 12:02d}-{1 + day % 28:02d}T{hour:02d}"
            year = 2031 + day // (28 * 12)
            mine = frame.with_columns(t=pl.lit(f"{year}{stamp[4:]}") + pl.col("t").str.slice(13))
            if split:
                keep = whole[:2] if n % 2 else whole[2:]
                mine = mine.select("t", *keep)
            mine.write_csv(Path(folder) / f"{n:06d}.csv")
        paths = sorted(Path(folder).iterdir())
        began = time.perf_counter()
        groups = sum(1 for _ in gather(paths, [load_map(MAP)]))
        took = time.perf_counter() - began
        assert groups == (count // 2 if split else count), groups
        return took


def main() -> None:
    """Print seconds a thousand files for each number of files."""
    counts = [int(a) for a in sys.argv[1:]] or [500, 10_000]
    for split in (False, True):
        for count in counts:
            took = seconds(count, split)
            what = "halves" if split else "whole logs"
            print(f"{count:>7} {what}: {took:6.1f} s, {1000 * took / count:.3f} s a thousand")


if __name__ == "__main__":
    main()
