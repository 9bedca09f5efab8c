"""How noisy a series is and how fine its steps are, read from the series itself."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from replay.statistics.spread import MAD_TO_SD, spread_about_zero

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_BLOCK = 12
_QUIET_OF_WHITE = 0.5131
"""25 % point of the medians of 12 scaled third differences of white noise of size 1 (simulated)."""


def subsampled(values: Array, most: int = 20_000) -> Array:
    """Return every so many-th value, at most about ``most``: enough for a quantile."""
    return values[:: max(1, len(values) // most)]


def difference_noise(values: Array, order: int) -> float:
    """Return the noise of single samples from differences of neighbours.

    The plain form of `noise_of`, for evenly sampled values of many counts.

    Parameters
    ----------
    values : array of shape (n,)
        Finite, evenly sampled.
    order : int
        Of the differences: 2 is blind to a straight line, 3 to a parabola.

    Returns
    -------
    float
        Robust standard deviation of one sample, in its unit; 0 for too few.
    """
    if len(values) <= order:
        return 0.0
    # The squared binomials' sum: what differencing multiplies a variance by.
    return spread_about_zero(np.diff(values, order)) / math.sqrt(math.comb(2 * order, order))


def noise_of(y: Array, starts: Flags, t_s: Array | None = None) -> float:
    """Return the standard deviation of a series' sample noise.

    Third differences (divided ones where the times ``t_s`` are given and
    uneven) take out any motion that is smooth over four samples. Where
    sampling is too slow for that, motion passes for noise; so blocks of
    `_BLOCK` differences are taken, and the figure comes from the quieter ones
    (25 % point of the blocks' medians, scaled by what that is for white
    noise). The median in a block is
    robust, and rows at rest on one count are left out, for there a coarse
    encoder looks perfect. Never below the counting error, step / sqrt(12).
    """
    quantum = resolution(y)
    floor = quantum / np.sqrt(12)
    if len(y) < 8:
        return float(floor)
    third = _third_differences(y, t_s)
    crossing = starts[1:-2] | starts[2:-1] | starts[3:]
    resting = (y[:-3] == y[1:-2]) & (y[1:-2] == y[2:-1]) & (y[2:-1] == y[3:])
    used = np.abs(third[~crossing & ~resting])
    if len(used) < 8:
        return float(floor)
    blocks = len(used) // _BLOCK
    if blocks < 8:
        return float(max(MAD_TO_SD * np.median(used), floor))
    rows = used[: blocks * _BLOCK].reshape(blocks, _BLOCK)[:: max(1, blocks // 2000)]
    quiet = float(np.quantile(np.median(rows, axis=1), 0.25)) / _QUIET_OF_WHITE
    return float(max(quiet, floor))


def _third_differences(y: Array, t_s: Array | None) -> Array:
    """Return third differences scaled to the variance of one sample."""
    if t_s is not None:
        step = np.diff(t_s)
        usual = float(np.median(subsampled(step)))
        if np.quantile(np.abs(subsampled(step) - usual), 0.9) > 1e-3 * usual:
            a, b, c = step[:-2], step[1:-1], step[2:]
            weights = (
                -1 / (a * (a + b) * (a + b + c)),
                1 / (a * b * (b + c)),
                -1 / ((a + b) * b * c),
                1 / ((a + b + c) * (b + c) * c),
            )
            size = np.sqrt(sum(w * w for w in weights))
            n = len(y)
            total = sum(w * y[k : n - 3 + k] for k, w in enumerate(weights))
            return np.asarray(total / size)
    # 1 + 9 + 9 + 1: the variance of a third difference of white noise
    plain: Array = np.diff(y, n=3) / np.sqrt(20.0)
    return plain


def resolution(y: Array) -> float:
    """Return the smallest step a series takes, as far as one can be told; else 0."""
    step = np.abs(np.diff(y[:200_000]))
    step = step[step > 1e-12 * max(1.0, float(np.max(np.abs(y), initial=0.0)))]
    if len(step) < 8:
        return 0.0
    low = float(np.quantile(step, 0.02))
    ratio = step[step < 20 * low] / low
    near = np.abs(ratio - np.round(ratio)) < 0.02
    return low if len(ratio) >= 8 and near.mean() > 0.9 else 0.0
