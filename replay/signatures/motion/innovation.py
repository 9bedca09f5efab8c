"""How far one sample of an angle is from what the samples about it foretell.

Two predictions of the travel from row to row: from the rows before (the joint's own
travel, the command's, the following error and the current: what a drive and a body do
next), and from the rows on both sides (what lies between). A body leaves both only
as fast as its current and its elasticity allow, a reading that jumps leaves both at
once, so the smaller of the two is the innovation. Coefficients are fitted on the
session itself, robustly; what is usual is learned per circumstances: how rough the
motion and the command are just there, in the angle's own steps.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from replay.signatures.track import Flags, Floats, Track
from replay.statistics.spread import NORMAL_QUARTILE

LAGS = 3
TURNS = 12
"""A fault of the session must lose all its weight in the law that it is judged by."""

MOST_ROWS = 20_000
FEWEST_ROWS = 200
CELLS = 10
"""Circumstances, each twice as rough as the one before; the last is as rough as they come."""


def innovations(track: Track) -> tuple[Floats, NDArray[np.intp]]:
    """Return each row's innovation and its circumstances.

    Parameters
    ----------
    track : Track
        Of n rows.

    Returns
    -------
    innovation_deg : ndarray, (n,)
        NaN at the first rows, and where rows are missing.
    cell : ndarray of int, (n,)
        0 to `CELLS` - 1 under the brake, as many more where it is released.
    """
    travel = np.diff(track.angle_deg)
    step = np.diff(track.t_s)
    period = max(track.period_s, 1e-9)
    there = (step > 0) & (step < 3 * period) & np.isfinite(travel)
    share = np.maximum(step / period, 0.2)
    went = np.where(there, travel / share, 0.0)
    due = np.zeros(travel.size) if track.due_deg is None else np.diff(track.due_deg) / share
    before = _predicted(_past(track, went, due), went, _near(there, LAGS, 0), share)
    between = _predicted(_around(went, due), went, _near(there, LAGS, LAGS), share)
    held = _near(track.braked[1:], LAGS, 0)
    before = np.where(held & there, travel, before)
    smaller = np.where(np.abs(before) < np.abs(between), before, between)
    smaller[~np.isfinite(before) | ~np.isfinite(between)] = np.nan
    cell = np.where(held, 0, CELLS) + _roughness(went, due, max(track.resolution_deg, 1e-9))
    return np.concatenate([[np.nan], smaller]), np.concatenate([[0], cell])


def _past(track: Track, went: Floats, due: Floats) -> Floats:
    """Return what is known of a row before it comes, (n, p)."""
    lead = np.cumsum(due) - np.cumsum(went)
    free = ~track.braked[1:]
    start = free & ~np.concatenate([[False], free[:-1]])
    first = np.maximum.accumulate(np.where(start, np.arange(went.size), 0))
    lead = lead - lead[first]
    current = np.nan_to_num(track.current_a)
    columns = [shifted(went, k) for k in range(1, LAGS + 1)]
    columns += [shifted(due, k) for k in range(LAGS + 1)]
    columns += [shifted(lead, k) for k in (1, 2)]
    columns += [current[:-1], shifted(current[:-1], 1), np.ones(went.size)]
    return np.stack(columns, axis=1)


def _around(went: Floats, due: Floats) -> Floats:
    """Return the rows on both sides, (n, p)."""
    columns = [shifted(went, k) for k in (1, 2, 3, -1, -2, -3)]
    columns += [shifted(due, k) for k in (-1, 0, 1, 2)]
    return np.stack(columns, axis=1)


def _predicted(x: Floats, y: Floats, known: Flags, share: Floats) -> Floats:
    """Return what a robust linear law leaves of ``y``, deg; NaN where rows are missing."""
    out = np.full(y.size, np.nan)
    rows = np.flatnonzero(known & (np.abs(x[:, :LAGS]).sum(axis=1) + np.abs(y) > 0))
    if rows.size < FEWEST_ROWS:
        out[known] = (y * share)[known]
        return out
    rows = rows[:: max(1, rows.size // MOST_ROWS)]
    size = np.maximum(np.sqrt(np.mean(x[rows] ** 2, axis=0)), 1e-12)
    a, b = x[rows] / size, y[rows]
    weight = np.ones(rows.size)
    ridge = 1e-6 * rows.size * np.eye(a.shape[1])
    beta = np.zeros(a.shape[1])
    for _ in range(TURNS):
        scaled = a * weight[:, None]
        beta = np.linalg.solve(scaled.T @ a + ridge, scaled.T @ b)
        off = b - a @ beta
        spread = np.median(np.abs(off)) / NORMAL_QUARTILE + 1e-12
        weight = 1 / (1 + (off / (2 * spread)) ** 2) ** 2
    out[known] = ((y - x @ (beta / size)) * share)[known]
    return out


def _roughness(went: Floats, due: Floats, resolution_deg: float) -> NDArray[np.intp]:
    """Return how rough motion and command are beside each row, by factors of two."""
    bend = maximum_filter1d(np.abs(np.diff(went, prepend=went[:1])), 5)
    sides = np.maximum(shifted(bend, 3), shifted(bend, -4))  # not the row itself nor its echo
    asked = maximum_filter1d(np.abs(np.diff(due, prepend=due[:1])), 9, origin=2)
    speed = np.maximum(np.abs(shifted(went, 2)), np.abs(shifted(went, -2)))
    size = np.maximum(np.maximum(sides, asked), 0.03 * speed) / resolution_deg
    made: NDArray[np.intp] = np.clip(
        np.floor(np.log2(np.maximum(1.001 * size, 0.5))), 0, CELLS - 1
    ).astype(np.intp)
    return made


def _near(mask: Flags, before: int, after: int) -> Flags:
    """Return where a mask holds from ``before`` rows back to ``after`` rows on."""
    out = mask.copy()
    for k in [*range(1, before + 1), *range(-after, 0)]:
        out &= shifted(mask.astype(np.float64), k) > 0
    return out


def shifted(values: Floats, rows: int) -> Floats:
    """Return values moved to later (positive) or earlier rows, zeros where nothing is."""
    out = np.zeros(values.size)
    if rows > 0:
        out[rows:] = values[:-rows]
    elif rows < 0:
        out[:rows] = values[-rows:]
    else:
        out[:] = values
    return out
