"""Bring a channel to other instants without making anything up.

A numeric channel is interpolated between its neighbours, a word or a switch
is held; both only across `CARRY_STEPS` times the channel's own median step.
Beyond that the value is unknown, and stays null. A held channel that lists
nothing but changes (no two neighbouring rows alike) has no step of its own:
its last word holds until the next.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

CARRY_STEPS = 2.5
"""How many of its own median steps a channel may bridge."""

Nanoseconds = NDArray[np.int64]


def carry(times_ns: Nanoseconds, source_ns: Nanoseconds, values: pl.Series, how: str) -> pl.Series:
    """Return ``values``, known at ``source_ns``, at ``times_ns``.

    Parameters
    ----------
    times_ns, source_ns : int64 arrays, rising
        Instants in nanoseconds.
    values : polars.Series
        One value per source instant; nulls and NaNs count as not there.
    how : {"interpolate", "hold"}

    Returns
    -------
    polars.Series
        Same type, length of ``times_ns``, null where nothing can be said.
    """
    if how not in ("interpolate", "hold"):
        raise ValueError(f"how must be 'interpolate' or 'hold', not {how!r}")
    known = values.is_not_null()
    if values.dtype.is_float():
        known &= values.is_not_nan().fill_null(False)
    if not known.all():
        source_ns, values = source_ns[known.to_numpy()], values.filter(known)
    if len(values) == 0 or len(times_ns) == 0:
        return pl.Series(values.name, [None] * len(times_ns), dtype=values.dtype)
    if len(source_ns) == len(times_ns) and np.array_equal(source_ns, times_ns):
        return values
    limit = _limit_ns(source_ns, values, how)
    after = np.searchsorted(source_ns, times_ns, side="right")
    left = after - 1
    age = times_ns - source_ns[np.maximum(left, 0)]
    if how == "hold":
        fine = (left >= 0) & (age <= limit)
        return _gather(values, left, fine)
    exact = (left >= 0) & (age == 0)
    right = np.minimum(after, len(source_ns) - 1)
    step = source_ns[right] - source_ns[np.maximum(left, 0)]
    between = (left >= 0) & (after < len(source_ns)) & (step <= limit)
    y = values.to_numpy().astype(float)
    low, high = y[np.maximum(left, 0)], y[right]
    share = np.divide(age, step, out=np.zeros(len(times_ns)), where=step > 0)
    out = np.where(exact, low, np.where(between, low + (high - low) * share, np.nan))
    return pl.Series(values.name, out).fill_nan(None).cast(values.dtype)


def _gather(values: pl.Series, index: NDArray[np.int64], fine: NDArray[np.bool_]) -> pl.Series:
    where = pl.Series(np.maximum(index, 0)).to_frame("i")
    picked = where.select(
        pl.when(pl.Series(fine)).then(pl.col("i")).otherwise(None).cast(pl.UInt32)
    ).to_series()
    return values.gather(picked)


def _limit_ns(source_ns: Nanoseconds, values: pl.Series, how: str) -> float:
    if len(source_ns) < 2:
        return float("inf") if how == "hold" else 0.0
    if how == "hold":
        alike = int((values == values.shift(1)).sum())
        if alike == 0:
            return float("inf")
    return float(CARRY_STEPS * np.median(np.diff(source_ns)))
