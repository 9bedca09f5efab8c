"""Which trends are tested together, and their p-values allowing for that."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from replay.records import Trend
from replay.statistics.false_discovery import adjusted_p_values
from replay.wear.catalogue import describe

LEADING = 4.0
"""Weight of the indicators that a decision rests on, beside those that only
say more about it (`Indicator.leading`)."""


def p_values_of_families(found: Sequence[Trend]) -> npt.NDArray[np.float64]:
    """Return the adjusted p-value of the way each trend goes.

    Two questions are asked of the histories of a unit, each with its own false
    discovery rate: which get worse, and which get better. Both are one-sided, so
    a unit that wears is not held back by the chance that it might have improved.
    Where either way is worse, both tails count.
    """
    weights = [LEADING if describe(t.indicator).leading else 1.0 for t in found]
    worse, better = np.full(len(found), np.nan), np.full(len(found), np.nan)
    goes_worse = np.zeros(len(found), dtype=bool)
    for k, t in enumerate(found):
        if t.p_value is None:
            continue
        way = describe(t.indicator).worse
        if way == "either":
            worse[k], goes_worse[k] = t.p_value, True
            continue
        goes_worse[k] = (t.detail["slope"] > 0) == (way == "up")
        with_it, against_it = t.p_value / 2, 1 - t.p_value / 2
        worse[k], better[k] = (with_it, against_it) if goes_worse[k] else (against_it, with_it)
    adjusted = np.full(len(found), np.nan)
    weight = np.array(weights)
    for own in _families(found):
        adjusted[own] = np.where(
            goes_worse[own],
            adjusted_p_values(worse[own], weight[own]),
            adjusted_p_values(better[own], weight[own]),
        )
    return adjusted


def _families(found: Sequence[Trend]) -> list[npt.NDArray[np.int64]]:
    """Return the places of the trends that share a false discovery rate: a unit's."""
    units: dict[str, list[int]] = {}
    for k, t in enumerate(found):
        units.setdefault(t.serial, []).append(k)
    return [np.array(own, dtype=np.int64) for own in units.values()]
