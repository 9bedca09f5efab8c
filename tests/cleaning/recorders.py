"""A session seen by two recorders: a slow one throughout, a quick one at brake changes."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from tests.start import START_NS

MAP = """
[log]
joints = 2
[time]
column = "t"
format = "iso8601"
[joint.angle]
column = "a{n}"
unit = "deg"
[joint.rate]
column = "v{n}"
unit = "deg/s"
[joint.commanded_rate]
column = "c{n}"
unit = "deg/s"
[joint.current]
column = "i{n}"
unit = "A"
[joint.brake_command]
column = "k{n}"
[joint.brake_state]
column = "b{n}"
"""
CYCLE_S = 20.0
RELEASED_S, ANSWER_S, DELAY_S = 2.0, 0.012, 0.043
"""Each cycle: released at 2 s, the word 12 ms later, motion after 43 ms."""
ENGAGED_S = 17.0


@dataclass(frozen=True)
class Recorders:
    """The two logs, and the releases that both saw, seconds from the start."""

    slow: Path
    quick: Path
    releases: tuple[float, ...]
    bursts: int


def rows(t: np.ndarray, seed: int, noise: float = 0.002) -> pl.DataFrame:
    """Return what a recorder writes at instants ``t``, seconds from the start."""
    rng = np.random.default_rng(seed)
    u = t % CYCLE_S
    begin, end = RELEASED_S + DELAY_S, ENGAGED_S - 1.0
    out: dict[str, object] = {}
    for n in (1, 2):
        top = 6.0 * n
        rate = np.interp(u, [begin, begin + 0.5, end - 0.5, end], [0, top, top, 0])
        grid = np.linspace(0, CYCLE_S, 40_001)
        path = np.interp(grid, [begin, begin + 0.5, end - 0.5, end], [0, top, top, 0])
        whole = np.concatenate([[0], np.cumsum((path[1:] + path[:-1]) / 2) * (grid[1] - grid[0])])
        turn = np.where((t // CYCLE_S).astype(int) % 2 == 0, 1.0, -1.0)
        travel = np.interp(u, grid, whole)
        angle = np.where(turn > 0, travel, whole[-1] - travel)
        held = (u < RELEASED_S + ANSWER_S) | (u > ENGAGED_S + ANSWER_S)
        out[f"a{n}"] = angle + rng.normal(0, noise, len(t))
        out[f"v{n}"] = turn * rate + rng.normal(0, 5 * noise, len(t))
        out[f"c{n}"] = np.where((u >= RELEASED_S) & (u < end), turn * top, 0.0)
        out[f"i{n}"] = np.where(rate > 0, turn * 0.8 + 0.02 * turn * rate, 0.1) + rng.normal(
            0, 0.02, len(t)
        )
        out[f"k{n}"] = np.where((u < RELEASED_S) | (u >= ENGAGED_S), 1, 0)
        out[f"b{n}"] = np.where(held, 1, 0)
    ns = START_NS + np.round(t * 1e9).astype(np.int64)
    when = pl.Series("t", ns).cast(pl.Datetime("ns", "UTC"))
    return pl.DataFrame({"t": when.dt.strftime("%Y-%m-%dT%H:%M:%S%.9fZ"), **out}).with_columns(
        pl.col(pl.Float64).round(4)
    )


def two_recorders(folder: Path, *, cycles: int = 3, clock_s: float = 0.0) -> Recorders:
    """Write both logs; the quick one's clock is ahead by ``clock_s``."""
    slow, quick = folder / "arm_50hz.csv", folder / "burst_200hz.csv"
    rows(np.arange(0, cycles * CYCLE_S, 0.02), 1).write_csv(slow)
    at = [k * CYCLE_S + e for k in range(cycles) for e in (RELEASED_S, ENGAGED_S)]
    t = np.concatenate([np.arange(a - 0.5, a + 1.0, 0.005) for a in at])
    frame = rows(t + 0.0013, 2)
    if clock_s:
        ns = START_NS + np.round((t + 0.0013 + clock_s) * 1e9).astype(np.int64)
        when = pl.Series("t", ns).cast(pl.Datetime("ns", "UTC"))
        frame = frame.with_columns(t=when.dt.strftime("%Y-%m-%dT%H:%M:%S%.9fZ"))
    frame.write_csv(quick)
    return Recorders(slow, quick, tuple(k * CYCLE_S + RELEASED_S for k in range(cycles)), len(at))
