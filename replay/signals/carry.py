"""Bring a channel to other instants without making anything up.

A numeric channel is interpolated between its neighbours, a word or a switch
is held; both only across `CARRY_STEPS` times the channel's own median step.
Beyond that the value is unknown. A held channel that lists nothing but
changes (no two neighbours alike) has no step of its own: its last word holds
until the next. A channel that mostly has a value at the very instants asked
for is taken as it is: where its recorder said nothing, nothing is said.

Numbers are floats with NaN for unknown; switches and words are int8 codes
with -1 for unknown.
"""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

CARRY_STEPS = 2.5
"""How many of its own median steps a channel may bridge."""

SLOW_S = 600.0
"""A winding warms within minutes, its housing within an hour (common practice, no source)."""

Nanoseconds = NDArray[np.int64]
Array = NDArray[np.float64]
Codes = NDArray[np.int8]
_Kind = TypeVar("_Kind", bound=np.generic)


def interpolated(times_ns: Nanoseconds, source_ns: Nanoseconds, values: Array) -> Array:
    """Return a numeric channel at other instants.

    Parameters
    ----------
    times_ns, source_ns : int64 arrays, rising
        Instants in nanoseconds.
    values : float array, one value per source instant

    Returns
    -------
    float array, length of ``times_ns``; NaN where nothing can be said.
    """
    known = np.isfinite(values)
    if _as_is(times_ns, source_ns, known):
        return values
    if not known.all():
        source_ns, values = source_ns[known], values[known]
    if len(values) == 0:
        return np.full(len(times_ns), np.nan)
    limit = CARRY_STEPS * _median_step(source_ns)
    after = np.searchsorted(source_ns, times_ns, side="right")
    left = np.maximum(after - 1, 0)
    right = np.minimum(after, len(source_ns) - 1)
    age = times_ns - source_ns[left]
    step = source_ns[right] - source_ns[left]
    low = values[left]
    share = np.divide(age, step, out=np.zeros(len(times_ns)), where=step > 0)
    inside = (after > 0) & ((age == 0) | ((after < len(source_ns)) & (step <= limit)))
    out: Array = np.where(inside, low + (values[right] - low) * share, np.nan)
    return out


def bridged(times_ns: Nanoseconds, source_ns: Nanoseconds, values: Array) -> Array:
    """Return what changes slowly at other instants; NaN where it said nothing for `SLOW_S`."""
    known = np.isfinite(values)
    if known.all() and _as_is(times_ns, source_ns, known):
        return values
    source_ns, values = source_ns[known], values[known]
    if len(values) == 0:
        return np.full(len(times_ns), np.nan)
    after = np.searchsorted(source_ns, times_ns, side="right")
    left = source_ns[np.maximum(after - 1, 0)]
    low = np.minimum(left, times_ns)
    high = np.maximum(source_ns[np.minimum(after, len(source_ns) - 1)], times_ns)
    inside = (left == times_ns) | (high - low <= SLOW_S * 1e9)
    return np.where(inside, np.interp(times_ns, source_ns, values), np.nan)


def held(times_ns: Nanoseconds, source_ns: Nanoseconds, codes: Codes) -> Codes:
    """Return a channel of codes (-1: unknown) at other instants, its last value held."""
    return _hold(times_ns, source_ns, codes, codes >= 0, np.int8(-1))


def held_numbers(times_ns: Nanoseconds, source_ns: Nanoseconds, values: Array) -> Array:
    """Return a numeric channel at other instants, its last value held (NaN: unknown)."""
    return _hold(times_ns, source_ns, values, np.isfinite(values), np.float64("nan"))


def _hold(
    times_ns: Nanoseconds,
    source_ns: Nanoseconds,
    values: NDArray[_Kind],
    known: NDArray[np.bool_],
    unknown: Any,
) -> NDArray[_Kind]:
    if _as_is(times_ns, source_ns, known):
        return values
    if not known.all():
        source_ns, values = source_ns[known], values[known]
    if len(values) == 0:
        return np.full(len(times_ns), unknown)
    changes_only = not (values[1:] == values[:-1]).any() and not _regular(source_ns)
    limit = np.inf if changes_only else CARRY_STEPS * _median_step(source_ns)
    after = np.searchsorted(source_ns, times_ns, side="right")
    left = np.maximum(after - 1, 0)
    fine = (after > 0) & (times_ns - source_ns[left] <= limit)
    return np.where(fine, values[left], unknown)


def _as_is(times_ns: Nanoseconds, source_ns: Nanoseconds, known: NDArray[np.bool_]) -> bool:
    same = times_ns is source_ns or (
        len(times_ns) == len(source_ns) and np.array_equal(times_ns, source_ns)
    )
    return bool(same and (len(known) == 0 or np.count_nonzero(known) > len(known) / 2))


def _regular(source_ns: Nanoseconds) -> bool:
    """Tell whether most steps are about the same; fewer than three tell nothing."""
    if len(source_ns) < 4:
        return False
    step = np.diff(source_ns)
    usual = np.median(step)
    return bool(np.median(np.abs(step - usual)) < 0.25 * usual)


def _median_step(source_ns: Nanoseconds) -> float:
    return float(np.median(np.diff(source_ns))) if len(source_ns) > 1 else 0.0
