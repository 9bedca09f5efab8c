"""The slope of a delay that sampling only brackets: interval-censored regression.

The mean of the delays that could be read has no trend while the brackets hold the
growth: at 50 Hz a release that takes 60 ms is read as 40 to 80. Every event of every
session counts with its bracket (`replay.statistics.interval_censored`).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from replay.statistics.interval_censored import interval_regression
from replay.statistics.slopes import Slope
from replay.statistics.spread import spread_about_zero
from replay.wear.histories.aggregation import numbers_of
from replay.wear.histories.history import History

WILD = 4.0
"""An event whose bracket lies further off than this many spreads is brought in."""


def bracketed_slope(
    history: History,
    first: int,
    sections: npt.NDArray[np.int64],
    variance_factor: float,
    confidence: float,
) -> Slope | None:
    """Return the slope of a history of delays; None where it has no brackets.

    Parameters
    ----------
    history : History
    first : int
        Index of the first session that counts.
    sections : array of int
        Of the sessions from there on: each has a level of its own.
    variance_factor : float
        What the slope's variance is multiplied by for memory and conditions.
    confidence : float
        Of the interval, two-sided.
    """
    if history.brackets is None:
        return None
    from scipy.stats import t as student

    use = history.brackets.session >= first
    session = history.brackets.session[use]
    moved = (history.adjusted.values - history.values)[session]
    low, high = history.brackets.low[use] + moved, history.brackets.high[use] + moved
    axis = history.axis[session] - history.axis[first:].mean()
    own = sections[session - first]
    numbers = numbers_of(sections)
    design = np.column_stack([*((own == s).astype(float) for s in numbers), axis])
    middle, far = (low + high) / 2, (high - low) / 2
    line = np.linalg.lstsq(design, middle, rcond=None)[0]
    rest = middle - design @ line
    fence = WILD * spread_about_zero(rest) + far
    brought = np.clip(rest, -fence, fence) - rest
    fit = interval_regression(design, low + brought, high + brought, session)
    slope = float(fit.coefficients[-1])
    error = float(fit.covariance[-1, -1] * variance_factor) ** 0.5
    freedom = max(len(np.unique(session)) - design.shape[1], 1)
    reach = error * float(student.ppf(0.5 + confidence / 2, freedom))
    return Slope(
        slope=slope,
        low=slope - reach,
        high=slope + reach,
        p_value=float(2 * student.sf(abs(slope) / error, freedom)) if error > 0 else 1.0,
    )
