"""Control charts, which ask whether this session is still like those before it.

Formulas and names as in the NIST/SEMATECH e-Handbook of Statistical Methods,
6.3.2.2 (individuals), 6.3.2.3 (CUSUM) and 6.3.2.4 (EWMA).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

D2_OF_TWO = 1.128
"""Mean range of two standard normal values, as the handbook rounds it."""


@dataclass(frozen=True, slots=True)
class Chart:
    """A charted statistic, its limits, and the indices where it is outside."""

    statistic: Floats
    centre: float
    low: Floats
    high: Floats
    signals: npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Cusum:
    """Upper and lower cumulative sums, and the indices where one is above h."""

    upper: Floats
    lower: Floats
    h: float
    signals: npt.NDArray[np.intp]


def moving_range_sigma(values: npt.ArrayLike) -> float:
    """Return the spread that the chart of individuals takes, from the mean moving range.

    Parameters
    ----------
    values : array of shape (n,)

    Returns
    -------
    float
        In the unit of the values; 0 of fewer than two.
    """
    x = np.asarray(values, dtype=float)
    return float(np.mean(np.abs(np.diff(x)))) / D2_OF_TWO if len(x) > 1 else 0.0


def ewma(
    values: npt.ArrayLike,
    *,
    target: float,
    sigma: float,
    weight: float = 0.3,
    k: float = 3.0,
    start_up: bool = False,
) -> Chart:
    """Return the exponentially weighted moving average and its limits.

    Parameters
    ----------
    values : array of shape (n,)
    target : float
        Historical mean; the average starts from it.
    sigma : float
        Historical standard deviation of single values.
    weight : float
        Lambda, of the newest value, in (0, 1].
    k : float
        Limits lie this many standard deviations from the target.
    start_up : bool
        Narrower limits for the first values, whose average has a smaller
        variance; else the limits of a long series throughout.
    """
    x = np.asarray(values, dtype=float)
    average = np.empty(len(x))
    last = target
    for n, value in enumerate(x):
        last = weight * value + (1 - weight) * last
        average[n] = last
    variance = np.full(len(x), weight / (2 - weight))
    if start_up:
        variance *= 1 - (1 - weight) ** (2 * np.arange(1, len(x) + 1))
    half = k * sigma * np.sqrt(variance)
    low, high = target - half, target + half
    return Chart(average, target, low, high, np.flatnonzero((average < low) | (average > high)))


def cusum(values: npt.ArrayLike, *, target: float, k: float, h: float) -> Cusum:
    """Return the two tabular cumulative sums; ``k`` and ``h`` in value units."""
    x = np.asarray(values, dtype=float)
    upper, lower = np.empty(len(x)), np.empty(len(x))
    up = down = 0.0
    for n, value in enumerate(x):
        up = max(0.0, up + value - target - k)
        down = max(0.0, down + target - k - value)
        upper[n], lower[n] = up, down
    return Cusum(upper, lower, h, np.flatnonzero((upper > h) | (lower > h)))
