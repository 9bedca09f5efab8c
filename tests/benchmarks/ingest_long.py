"""How long a long table takes into the archive, and how much memory, in one run.

Run by hand: ``python -m tests.benchmarks.ingest_long [--gb 1.0] [--folder DIR]``.
The floor is polars' own ``scan_csv`` into ``sink_parquet`` of the same file,
which neither sorts rows out by channel nor cleans them.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np
import polars as pl

from tests.benchmarks.ingest_speed import BLOCK, FLOOR, JOINTS, OURS, run
from tests.start import START_NS

MAP = """
[log]
layout = "long"
joints = 7
[long]
time = "t"
channel = "what"
value = "value"
[time]
column = "t"
format = "iso8601"
[joint.angle]
column = "a{n}"
unit = "deg"
[joint.current]
column = "i{n}"
unit = "A"
[joint.temperature]
column = "temp{n}"
unit = "degC"
"""
BYTES_A_ROW = 35.3
CHANNELS = [f"{what}{n}" for n in JOINTS for what in ("a", "i")]


def write_long(path: Path, gigabytes: float, disorder: bool) -> int:
    """Write a long table of 21 channels, temperatures at a tenth of the rate.

    ``disorder`` writes the second half of the times first.
    """
    instants = int(gigabytes * 1e9 / BYTES_A_ROW / (len(CHANNELS) + 0.1 * len(JOINTS)))
    rng = np.random.default_rng(7)
    begins = list(range(0, instants, BLOCK // 20))
    if disorder:
        begins = begins[len(begins) // 2 :] + begins[: len(begins) // 2]
    rows = 0
    with path.open("wb") as sink:
        for place, begin in enumerate(begins):
            k = np.arange(begin, min(begin + BLOCK // 20, instants))
            at = pl.Series("t", START_NS + k * 10_000_000).cast(pl.Datetime("ns"))
            frame = pl.DataFrame(
                {"t": at.dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ")}
                | {
                    c: np.round(9 * np.sin(k / 3000) + rng.normal(0, 0.1, len(k)), 4)
                    for c in CHANNELS
                }
            )
            warm = pl.DataFrame(
                {"t": frame["t"]} | {f"temp{n}": np.round(20 + _noise(rng, k), 2) for n in JOINTS}
            )[::10]
            long = pl.concat(
                f.with_row_index("k").unpivot(
                    index=["k", "t"], variable_name="what", value_name="value"
                )
                for f in (frame, warm)
            )
            long = long.sort("t", maintain_order=True).select("t", "what", "value")
            long.write_csv(sink, include_header=place == 0)
            rows += long.height
    return rows


def _noise(rng: np.random.Generator, k: np.ndarray) -> np.ndarray:
    return rng.normal(0.0, 0.1, len(k))


def main() -> None:
    """Write a table, time both sides, print the ratios."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--gb", type=float, default=1.0)
    parser.add_argument("--disorder", action="store_true")
    parser.add_argument("--folder", default=None)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=args.folder) as name:
        folder = Path(name)
        log, log_map = folder / "log.csv", folder / "log.map.toml"
        rows = write_long(log, args.gb, args.disorder)
        log_map.write_text(MAP)
        print(f"{log.stat().st_size / 1e9:.2f} GB, {rows} rows of one value")
        floor = run(FLOOR, str(log), str(folder / "floor.parquet"))
        ours = run(OURS, str(log), str(folder / "archive"), str(log_map))
        for who, found in (("floor", floor), ("ours", ours)):
            print(
                f"{who}: {found['seconds']:.1f} s, CPU {found['cpu']:.1f} s, "
                f"peak {found['peak_mib']:.0f} MiB"
            )
        print(f"wall time ratio {ours['seconds'] / floor['seconds']:.2f}")
        print(f"CPU time ratio {ours['cpu'] / floor['cpu']:.2f}")


if __name__ == "__main__":
    main()
