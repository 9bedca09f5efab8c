"""Figures of the wear room, measured by hand: ``python tests/benchmarks/wear.py``.

Prints the coverage of slope intervals, false rises over flat units, how early
a growth of 20 % is found, the coverage of limit dates by wear law, and the
times of the large table beside a bare read of the same columns.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import polars as pl

sys.path.insert(0, str(Path(__file__).parents[1] / "wear"))
from makers import LAWS, no_notes, unit

from replay.archive import open_archive
from replay.wear import fleet, trends, unit_history
from replay.wear.lookback import coverage, stand_back
from replay.wear.trends import judge


def slopes(count: int) -> None:
    """Coverage of the nominal 90 % and false rises, over sizes and memories."""
    for memory in (0.0, 0.3):
        held = []
        false = flat = 0
        for k in range(count):
            rng = np.random.default_rng([k, 5])
            made = []
            for j in range(7):
                growth = 0.0 if j < 4 else float(rng.uniform(0.02, 0.5))
                sessions = int(rng.integers(60, 600))
                made.append(
                    unit(
                        [k, j],
                        serial=f"TU-{j}",
                        joint=f"J{j}",
                        sessions=sessions,
                        growth=growth,
                        memory=memory,
                        noise=float(rng.uniform(0.01, 0.06)),
                        season=float(rng.uniform(0, 0.15)),
                        years=float(rng.uniform(0.8, 4.0)),
                    )
                )
            found = judge(pl.concat([m.rows for m in made]), no_notes(), {})
            for t in found:
                m = made[int(t.serial[-1])]
                true = (m.truth[-1] - m.truth[0]) / (m.years[-1] - m.years[0])
                held.append(t.slope_low <= true <= t.slope_high)
                if int(t.serial[-1]) < 4:
                    flat += 1
                    false += t.verdict == "rising"
        print(
            f"memory {memory}: slope interval held {np.mean(held):.3f} of {len(held)}, "
            f"false rising {false / flat:.4f} of {flat} flat units"
        )


def detection(count: int) -> None:
    """Share of histories in which 20 % over 200 sessions was found before half of it."""
    found = 0
    for k in range(count):
        made = [
            unit([k, j, 9], serial=f"TU-{j}", joint=f"J{j}", sessions=200,
                 growth=0.2 if j == 0 else 0.0, missing=False)
            for j in range(7)
        ]  # fmt: skip
        early = pl.concat([m.rows.head(100) for m in made])
        verdict = {t.serial: t.verdict for t in judge(early, no_notes(), {})}
        found += verdict["TU-0"] == "rising"
    print(f"20 % over 200 sessions found by session 100: {found / count:.2f} of {count}")


def dates(count: int) -> None:
    """Coverage of limit dates, standing at half to nine tenths of the way."""
    everything = []
    for law in LAWS:
        if law == "none":
            continue
        stands = []
        for k in range(count):
            rng = np.random.default_rng([k, 31])
            made = unit([k, 77], law=law, sessions=int(rng.integers(60, 600)), season=0.0,
                        growth=float(rng.uniform(0.3, 0.8)), noise=0.03)  # fmt: skip
            limit = float(made.truth[0] + 0.9 * (made.truth[-1] - made.truth[0]))
            crossed = float(np.interp(limit, made.truth, made.years))
            stands += stand_back(made.years, made.rows["value"].to_numpy(), limit, crossed)
        everything += stands
        print(f"limit dates, {law}: {coverage(stands).share:.3f} of {len(stands)} intervals held")
    print(f"limit dates, all laws: {coverage(everything).share:.3f} of {len(everything)}")


def speed(sessions: int) -> None:
    """Times of the table and of one joint, beside a bare read of its columns."""
    with tempfile.TemporaryDirectory() as folder:
        archive = open_archive(Path(folder) / "archive", create=True)
        names = ["friction at usual rate", "coulomb friction", "margin left", "brake drag",
                 "breakaway forward", "holding current"]  # fmt: skip
        names += [f"ripple at {k} per turn" for k in range(1, 15)]
        parts = [
            unit([j, i], serial=f"TU-{j}", joint=f"J{j}", indicator=name, sessions=sessions,
                 missing=False, years=10.0).rows
            for j in range(7)
            for i, name in enumerate(names)
        ]  # fmt: skip
        archive.replace("indicators", pl.concat(parts), session=["S00000"])
        path = str(Path(folder) / "archive" / "tables" / "indicators")
        floor = timed(
            lambda: pl.read_delta(path, columns=["serial", "indicator", "start", "value"])
        )
        first = timed(lambda: trends(archive), 1)
        again = open_archive(Path(folder) / "archive")
        table = timed(lambda: fleet(again))
        one = timed(lambda: unit_history(again, "TU-3", "coulomb friction"))
        print(
            f"{sessions} sessions x 7 x {len(names)}: judging once {first:.2f} s; then fleet table "
            f"{1e3 * table:.0f} ms, one history {1e3 * one:.0f} ms; bare read of four columns "
            f"{1e3 * floor:.0f} ms; ratios {table / floor:.2f} and {one / floor:.2f}"
        )


def timed(work, times: int = 5) -> float:
    """Return the median time of some calls, in seconds."""
    spent = []
    for _ in range(times):
        begin = time.perf_counter()
        work()
        spent.append(time.perf_counter() - begin)
    return float(np.median(spent))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=40, help="histories a figure (40)")
    parser.add_argument("--sessions", type=int, default=10_000, help="of the large table")
    options = parser.parse_args()
    slopes(options.count)
    detection(options.count)
    dates(options.count)
    speed(options.sessions)
