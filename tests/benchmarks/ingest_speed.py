"""How long a CSV takes into the archive, beside polars alone, in one run.

Run by hand: ``python -m tests.benchmarks.ingest_speed [--gb 1.0] [--folder DIR]``.
The floor is polars' own ``scan_csv`` into ``sink_parquet`` (Zstandard, types
inferred) of the same file. Each side runs in a process of its own, so that
peak memory is its own; the page cache is warm for both, and each clock starts
when its side's libraries are loaded. The whole processes, with their start,
are compared too.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import polars as pl

from tests.start import START_NS

JOINTS = range(1, 8)
MAP = """
[log]
joints = 7
[time]
column = "t"
format = "iso8601"
[joint.angle]
column = "a{n}"
unit = "deg"
[joint.rate]
column = "w{n}"
unit = "rad/s"
[joint.current]
column = "i{n}"
unit = "A"
[joint.temperature]
column = "temp{n}"
unit = "degC"
[joint.brake_state]
column = "brk{n}"
words = { ENG = "engaged", REL = "released" }
"""
BYTES_A_ROW = 262
BLOCK = 200_000

FLOOR = (
    "import polars as pl",
    'pl.scan_csv(sys.argv[1]).sink_parquet(sys.argv[2], compression="zstd")',
)
"""What a side needs loaded before its clock starts, and what it does."""
OURS = (
    """
from replay.archive import open_archive
from replay.cleaning import ingest
""",
    """
archive = open_archive(sys.argv[2], create=True)
result = ingest(archive, sys.argv[1], log_map=sys.argv[3])
assert len(result.sessions) == 1, result.refused
""",
)
RUN = """
import json, resource, sys, time
{needs}
before = resource.getrusage(resource.RUSAGE_SELF)
loaded = before.ru_utime + before.ru_stime
begin = time.perf_counter()
sys.argv = ["-"] + json.loads(sys.argv[1])
{body}
seconds = time.perf_counter() - begin
used = resource.getrusage(resource.RUSAGE_SELF)
cpu = used.ru_utime + used.ru_stime - loaded
print(json.dumps(dict(
    seconds=seconds, cpu=cpu, cpu_whole=cpu + loaded, peak_mib=used.ru_maxrss // 1024
)))
"""


def write_log(
    path: Path, rows: int, *, dirty: bool = False, start_ns: int = START_NS, seed: int = 7
) -> None:
    """Write a log of seven joints; ``dirty`` adds sentinels, late and bad cells."""
    rng = np.random.default_rng(seed)
    with path.open("wb") as sink:
        for begin in range(0, rows, BLOCK):
            count = min(BLOCK, rows - begin)
            k = np.arange(begin, begin + count)
            at = pl.Series("t", start_ns + k * 10_000_000).cast(pl.Datetime("ns"))
            columns: dict[str, object] = {"t": at.dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ")}
            for n in JOINTS:
                moving = np.cos(k / 3000 + n)
                columns[f"a{n}"] = np.round(60 * np.sin(k / 3000 + n) + _noise(rng, k, 0.01), 4)
                columns[f"w{n}"] = np.round(0.02 * moving + _noise(rng, k, 1e-4), 6)
                columns[f"i{n}"] = np.round(2 * np.sign(moving) + _noise(rng, k, 0.1), 4)
                columns[f"temp{n}"] = np.round(20 + np.sin(k / 1e5) + _noise(rng, k, 0.05), 2)
                columns[f"brk{n}"] = np.where(moving > -0.9, "REL", "ENG")
            frame = pl.DataFrame(columns)
            if dirty:
                frame = frame.with_columns(
                    pl.when(pl.int_range(pl.len()) % 997 == 5)
                    .then(-9999.0)
                    .otherwise(pl.col("temp3"))
                    .alias("temp3"),
                    pl.when(pl.int_range(pl.len()) % 5003 == 7)
                    .then(pl.lit("ERR"))
                    .otherwise(pl.col("i2").cast(pl.String))
                    .alias("i2"),
                )
            frame.write_csv(sink, include_header=begin == 0)


def _noise(rng: np.random.Generator, k: np.ndarray, size: float) -> np.ndarray:
    return rng.normal(0.0, size, len(k))


def run(side: tuple[str, str], *arguments: str) -> dict[str, float]:
    """Run one side in a fresh process; return its seconds and peak memory."""
    needs, body = side
    os.sync()  # what an earlier run left for the disk is not this one's
    begin = time.perf_counter()
    told = subprocess.run(
        [sys.executable, "-c", RUN.format(needs=needs, body=body), json.dumps(arguments)],
        check=True,
        capture_output=True,
        text=True,
    )
    found: dict[str, float] = json.loads(told.stdout.strip().splitlines()[-1])
    found["whole"] = time.perf_counter() - begin
    return found


def main() -> None:
    """Write a log, time both sides in turn, print the ratios."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--gb", type=float, default=1.0)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--dirty", action="store_true")
    parser.add_argument("--folder", default=None)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=args.folder) as name:
        folder = Path(name)
        log, log_map = folder / "log.csv", folder / "log.map.toml"
        rows = int(args.gb * 1e9 / BYTES_A_ROW)
        write_log(log, rows, dirty=args.dirty)
        log_map.write_text(MAP)
        print(
            f"{log.stat().st_size / 1e9:.2f} GB, {rows} rows, {'dirty' if args.dirty else 'clean'}"
        )
        with log.open("rb") as handle:  # warm, in pieces: a child's peak starts at its parent's
            while handle.read(1 << 22):
                pass
        floors, ours = [], []
        archive = folder / "archive"
        for _ in range(args.runs):
            floors.append(run(FLOOR, str(log), str(folder / "floor.parquet")))
            shutil.rmtree(archive, ignore_errors=True)  # as the floor's file is written over
            ours.append(run(OURS, str(log), str(archive), str(log_map)))
            print(
                f"floor {floors[-1]['seconds']:.2f} s {floors[-1]['peak_mib']:.0f} MiB | "
                f"ours {ours[-1]['seconds']:.2f} s {ours[-1]['peak_mib']:.0f} MiB "
                f""
                f"(with start-up {ours[-1]['whole']:.2f} s)"
            )
        samples = sum(p.stat().st_size for p in archive.glob("samples/*/*.parquet"))
        floor_size = (folder / "floor.parquet").stat().st_size
        for what, word in (
            ("seconds", "wall time"),
            ("whole", "wall time with start-up"),
            ("cpu", "CPU time, which a busy machine disturbs less,"),
            ("cpu_whole", "CPU time with start-up"),
        ):
            best = min(o[what] for o in ours) / min(f[what] for f in floors)
            middle = statistics.median(o[what] for o in ours)
            middle /= statistics.median(f[what] for f in floors)
            print(f"{word} ratio {middle:.2f} (medians of {args.runs}), {best:.2f} (best of each)")
        print(f"size ratio {samples / floor_size:.2f} (samples {samples / 1e6:.0f} MB)")


if __name__ == "__main__":
    main()
