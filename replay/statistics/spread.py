"""Robust spreads: what a standard deviation would be, were there no wild values.

`scipy.stats.median_abs_deviation` gives the same figure (a test compares them).
It is not called here because it takes some 60 microseconds a call beside 15, and
importing `scipy.stats` costs every command a third of a second; spreads are taken
hundreds of thousands of times while ten thousand histories are judged.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

MAD_TO_SD = 1.482602218505602
"""Ratio of standard deviation to median absolute deviation, normal law: 1 / ndtri(3/4)."""

MAD_TO_SD_TABLE, NORMAL_QUARTILE = 1.4826, 0.6745
"""The same to four decimals, and its inverse, as tables print them: figures that limits were
calibrated with are kept to their last digit."""

_NORMAL_98 = 2.326
"""Of a normal law, 98 in 100 values lie within so many standard deviations."""

MEDIAN_TO_MEAN_ERROR = math.sqrt(math.pi / 2)
"""Error of a median over that of a mean, normal law and many values (M. G. Kendall,
A. Stuart, *The Advanced Theory of Statistics* 1, 14.12)."""


def median(values: Floats) -> float:
    """Return the median of finite values, as `numpy.median` does.

    Parameters
    ----------
    values : array of shape (n,)
        Not empty, all finite.

    Returns
    -------
    float
        In the unit of the values.
    """
    middle = values.size // 2
    if values.size % 2:
        return float(np.partition(values, middle)[middle])
    ordered = np.partition(values, (middle - 1, middle))
    return float((ordered[middle - 1] + ordered[middle]) / 2)


def spread(values: npt.ArrayLike) -> float:
    """Return the robust standard deviation about the median.

    Parameters
    ----------
    values : array of shape (n,)
        Values that are not finite are passed over.

    Returns
    -------
    float
        In the unit of the values; NaN when none is finite.

    Examples
    --------
    >>> round(spread([1.0, 2.0, 3.0, 4.0, 1e9]), 4)
    1.4826
    """
    good = _finite(values)
    return spread_about_zero(good - median(good)) if good.size else float("nan")


def spread_about_zero(values: npt.ArrayLike) -> float:
    """Return the robust root mean square: the spread of values whose centre is known.

    Parameters
    ----------
    values : array of shape (n,)
        Deviations; those that are not finite are passed over.

    Returns
    -------
    float
        In the unit of the values; NaN when none is finite.
    """
    good = _finite(values)
    return MAD_TO_SD * median(np.abs(good)) if good.size else float("nan")


def wide_spread(values: npt.ArrayLike) -> float:
    """Return a standard deviation about zero by the median, or by the 98th in 100 if larger.

    Parameters
    ----------
    values : array of shape (n,)
        Deviations; those that are not finite are passed over.

    Returns
    -------
    float
        In the unit of the values; NaN when none is finite.
    """
    good = np.abs(_finite(values))
    if not good.size:
        return float("nan")
    middle, far = np.quantile(good, (0.5, 0.98))
    return float(max(middle / NORMAL_QUARTILE, far / _NORMAL_98))


def winsorized(values: npt.ArrayLike, most: float = 4.0, *, about_zero: bool = False) -> Floats:
    """Return the values with wild ones brought in.

    Parameters
    ----------
    values : array of shape (n,)
    most : float
        The farthest a value may stand out, in robust spreads.
    about_zero : bool
        Whether the values' centre is zero. Else they are returned less their median.

    Returns
    -------
    array of shape (n,)
        Deviations from the centre, at most ``most`` spreads either way; all
        zero where more than half of the values are equal.
    """
    deviations = np.asarray(values, dtype=float)
    if not about_zero:
        deviations = deviations - np.median(deviations)
    bound = most * spread_about_zero(deviations)
    return np.asarray(np.clip(deviations, -bound, bound), dtype=float)


def error_of_median(values: npt.ArrayLike, n: float | None = None) -> float:
    """Return the standard error of the median.

    Parameters
    ----------
    values : array of shape (k,)
    n : float, optional
        How many independent values these are worth; their number by default.

    Returns
    -------
    float
        In the unit of the values.
    """
    good = _finite(values)
    many = float(good.size) if n is None else n
    return MEDIAN_TO_MEAN_ERROR * spread(good) / math.sqrt(many) if many > 0 else float("nan")


def _finite(values: npt.ArrayLike) -> Floats:
    array = np.asarray(values, dtype=float)
    finite = np.isfinite(array)
    return array if array.ndim == 1 and finite.all() else np.asarray(array[finite])
