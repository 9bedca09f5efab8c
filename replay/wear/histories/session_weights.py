"""How much each session of a history counts."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from replay.statistics.spread import median
from replay.wear.histories.aggregation import numbers_of

Floats = npt.NDArray[np.float64]


LEAST_BETWEEN = 0.02
"""Sessions differ by at least this share of the level for reasons that no
standard error of theirs knows; few sessions cannot show that they do."""


def session_weights(
    axis: Floats, values: Floats, se: Floats, sections: npt.NDArray[np.int64]
) -> Floats | None:
    """Return weights from standard errors; None where they are unknown.

    A session weighs ``1 / (se**2 + between**2)``: sessions differ by more
    than their own errors say, and a session with a tiny error is not alone
    right.
    """
    from replay.statistics.slopes import between_variance

    known = np.isfinite(se) & (se >= 0)
    if known.sum() < max(3, 0.5 * len(se)):
        return None
    filled = se if known.all() else np.where(known, se, np.nanquantile(se[known], 0.9))
    rest = _detrended(axis, values, sections)
    least = (LEAST_BETWEEN * median(np.abs(values))) ** 2
    between = max(between_variance(rest, filled), least)
    floor = np.quantile(filled, 0.1) ** 2
    weights = 1.0 / np.maximum(filled**2 + between, max(floor, 1e-30))
    return np.asarray(weights / weights.max(), dtype=float)


def _detrended(axis: Floats, values: Floats, sections: npt.NDArray[np.int64]) -> Floats:
    rest = values.copy()
    span = float(np.ptp(axis)) or 1.0
    t = axis / span
    for number in numbers_of(sections):
        own = sections == number
        rest[own] -= median(rest[own])
    slope = float(t @ rest / (t @ t)) if t @ t > 0 else 0.0
    return rest - slope * t
