"""By how much one clock has to be moved for its log to lie on another's.

Two recorders that saw the same joint move tell it: in each stretch of the one,
the shift is sought at which its values lie on the other's, by least squares.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.cleaning.times.drift import line_through
from replay.statistics.noise import noise_of
from replay.units import TIME

Ints = npt.NDArray[np.int64]

FARTHEST_S = 2.0
"""Clocks that stand farther apart than this are not set by motion."""
APART_SIGMAS = 6.0
APART_SHARE = 0.02
"""Values agree within so many sigma of noise, or this share of the channel's range."""
NEAR = 0.05
CLEAR_S = 0.3
"""A stretch tells the clock where it fits, nearly as well as best, within so many seconds only."""
_MOST_STRETCHES = 40
_LONGEST_S = 20.0
_FEWEST_SAMPLES = 8


@dataclass(frozen=True, slots=True)
class Fit:
    """How one stretch of the quick log lies on the slow one."""

    at_s: float
    """Its middle, seconds from the first stretch's begin."""
    shift_s: float
    apart: float
    """Root mean square of what is left at the best shift, in units of what is allowed."""
    tells: bool
    """Whether it fits at few shifts only, so that it tells the clock."""


def fits_of(slow: Path, quick: Path, names: list[str], edges: Ints, step_ns: int) -> list[Fit]:
    """Return the fit of each stretch, of several dozen spread evenly where there are more.

    Parameters
    ----------
    slow, quick : Path
        Cleaned streams.
    names : list of str
        Channels that both have.
    edges : ndarray of shape (n, 2)
        First and last instant of the quick log's stretches, ns.
    step_ns : int
        Usual step of the slow log.
    """
    allowed = _allowed(slow, names)
    chosen = edges[np.unique(np.linspace(0, len(edges) - 1, _MOST_STRETCHES).astype(int))]
    reach = round(FARTHEST_S * 1e9)
    made = []
    for first, last in chosen.tolist():
        stop = min(last, first + round(_LONGEST_S * 1e9))
        mine = _read(slow, names, first - 2 * reach, stop + 2 * reach)
        theirs = _read(quick, names, first, stop)
        found = _fit(mine, theirs, allowed, first, int(edges[0, 0]), step_ns)
        if found is not None:
            made.append(found)
    return made


def _fit(
    mine: pl.DataFrame,
    theirs: pl.DataFrame,
    allowed: dict[str, float],
    zero: int,
    begin: int,
    step_ns: int,
) -> Fit | None:
    """Return the shift at which one stretch lies best on the slow log's samples."""
    pairs = []
    for name, limit in allowed.items():
        a, b = mine.select(TIME, name).drop_nulls(), theirs.select(TIME, name).drop_nulls()
        if b.height < _FEWEST_SAMPLES or a.height < 2:
            continue
        at, bt = ((f[TIME].to_physical().to_numpy() - zero) / 1e9 for f in (a, b))
        pairs.append((at, a[name].to_numpy() / limit, bt, b[name].to_numpy() / limit))
    if not pairs:
        return None

    def apart(shift: float) -> float:
        sums, count = 0.0, 0
        for at, av, bt, bv in pairs:
            inside = (bt + shift >= at[0]) & (bt + shift <= at[-1])
            if inside.any():
                left = np.interp(bt[inside] + shift, at, av) - bv[inside]
                sums, count = sums + float(left @ left), count + len(left)
        return float(np.sqrt(sums / count)) if count else float("inf")

    from scipy.optimize import minimize_scalar

    step = step_ns / 1e9
    grid = np.arange(-FARTHEST_S, FARTHEST_S + step / 2, step / 2)
    costs = np.array([apart(float(s)) for s in grid])
    best = float(grid[int(np.argmin(costs))])
    finer = minimize_scalar(apart, bounds=(best - step, best + step), method="bounded")
    shift, least = (float(finer.x), float(finer.fun)) if finer.fun < costs.min() else (
        best, float(costs.min())
    )  # fmt: skip
    unmoved = apart(0.0)
    # a joint that stands fits at many shifts: only a stretch that fits at few tells the clock
    near = grid[costs <= 1.3 * least + NEAR]
    tells = len(near) > 0 and float(near[-1] - near[0]) <= CLEAR_S
    middle = (float(pairs[0][2][-1]) / 2) + (zero - begin) / 1e9
    return Fit(middle, shift, min(least, unmoved), tells)


def clock_of(fits: list[Fit], step_s: float) -> tuple[float, float]:
    """Return offset and slope of the quick clock's shift; zeros where it need not be moved."""
    told = [f for f in fits if f.tells]
    if not told:
        return 0.0, 0.0
    shifts = np.array([f.shift_s for f in told])
    offset, slope = float(np.median(shifts)), 0.0
    if len(told) >= 4:
        offset, slope, _ = line_through(np.array([f.at_s for f in told]), shifts)
        length = told[-1].at_s - told[0].at_s
        if abs(slope) * length < step_s:
            offset, slope = float(np.median(shifts)), 0.0
    worst = max(abs(offset), abs(offset + slope * told[-1].at_s))
    return (offset, slope) if worst > step_s else (0.0, 0.0)


def _allowed(slow: Path, names: list[str]) -> dict[str, float]:
    """Return by channel how far apart two recorders' values may lie."""
    made = {}
    for name in names:
        frame = pl.scan_parquet(slow, glob=False).select(TIME, name).drop_nulls()
        head = frame.head(20_000).collect()
        ends = frame.select(low=pl.col(name).min(), high=pl.col(name).max()).collect()
        if head.height < _FEWEST_SAMPLES:
            continue
        t_s = (head[TIME].to_physical().to_numpy() - head[TIME].to_physical()[0]) / 1e9
        starts = np.zeros(head.height, dtype=np.bool_)
        noise = noise_of(head[name].to_numpy(), starts, t_s)
        width = float(ends["high"][0] - ends["low"][0])
        made[name] = max(APART_SIGMAS * noise, APART_SHARE * width, 1e-9)
    return made


def _read(path: Path, names: list[str], first: int, last: int) -> pl.DataFrame:
    low, high = (pl.lit(n).cast(pl.Datetime("ns", "UTC")) for n in (first, last))
    return (
        pl.scan_parquet(path, glob=False)
        .select(TIME, *names)
        .filter(pl.col(TIME).is_between(low, high))
        .collect()
    )
