"""How long the nearest similar motions take in a long history, against a bare scan.

Run by hand: ``python tests/benchmarks/similar_motions.py [motions]``. Writes a
table of motions of one arm's seven units, then asks for the five nearest to
one of them. The floor, in the same run, is the bare library: scan the same
Delta table for the unit's rows of one kind and direction.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from replay.archive import open_archive
from replay.records import Session
from replay.signals.motion.motions import MOTIONS_SCHEMA, TABLE
from replay.signals.motion.similar import similar_motions


def history(count: int) -> pl.DataFrame:
    """Motions of seven units over sessions of 100 motions each, time rising."""
    rng = np.random.default_rng(1)
    joint = rng.integers(1, 8, count)
    direction = rng.integers(-1, 2, count)
    session = np.arange(count) // 100
    start = np.datetime64("2031-01-01", "us") + (np.arange(count) * 60).astype("timedelta64[s]")
    columns = {
        "session": [f"s{n:06d}" for n in session],
        "joint": [f"J{j}" for j in joint],
        "serial": [f"TU-10{j}" for j in joint],
        "number": np.arange(count) % 100,
        "motion": np.where(direction == 0, "holding", "moving"),
        "direction": direction,
        "start": start,
        "end": start + np.timedelta64(20, "s"),
        "samples": np.full(count, 400),
        "duration_s": rng.gamma(4, 5, count),
        "speed_deg_s": np.abs(direction) * rng.gamma(4, 0.5, count),
        "peak_deg_s": rng.gamma(4, 0.6, count),
        "travel_deg": rng.normal(0, 30, count),
        "angle_deg": rng.uniform(-180, 180, count),
        "load_nm": rng.normal(0, 200, count),
        "temperature_c": rng.normal(15, 10, count),
        "payload_kg": rng.choice([0.0, 400.0, 900.0], count),
        "base_end": rng.choice(["A", "B"], count),
        "current_a": rng.normal(0, 1.5, count),
        "current_peak_a": rng.gamma(3, 1, count),
    }
    frame = pl.DataFrame(columns).with_columns(pl.col("start", "end").dt.replace_time_zone("UTC"))
    return frame.select(pl.col(name).cast(kind) for name, kind in MOTIONS_SCHEMA.items())


def median_s(work: Callable[[], object], times: int = 7) -> float:
    work()
    spent = []
    for _ in range(times):
        at = time.perf_counter()
        work()
        spent.append(time.perf_counter() - at)
    return statistics.median(spent)


def main(count: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        archive = open_archive(f"{folder}/archive", create=True)
        rows = history(count)
        archive.append(TABLE, rows)
        of = rows.filter((pl.col("joint") == "J3") & (pl.col("direction") == 1)).row(-1, named=True)
        start: datetime = of["start"].replace(tzinfo=UTC)
        frame = pl.DataFrame({"time": [start, start + timedelta(seconds=1)]}).cast(
            pl.Datetime("ns", "UTC")
        )
        archive.add_session(
            Session(
                session=of["session"], source="x", arm="Heron", rows=2, start=start,
                end=start + timedelta(seconds=1), joints=("J3",), units={"J3": "TU-103"},
                channels={"main": ()},
            ),
            {"main": frame},
        )  # fmt: skip

        def ask() -> object:
            return similar_motions(archive, of["session"], "J3", start, start, 5)

        def bare() -> object:
            scan = archive.scan_table(TABLE)
            assert scan is not None
            return scan.filter(
                (pl.col("serial") == "TU-103")
                & (pl.col("motion") == "moving")
                & (pl.col("direction") == 1)
            ).collect()

        asked, floor = median_s(ask), median_s(bare)
        print(
            f"{count} motions: nearest five {1000 * asked:.0f} ms, bare scan {1000 * floor:.0f} ms,"
        )
        print(f"ratio {asked / floor:.2f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
