"""Rates of rare events: what so many events in so many hours say.

`scipy.stats.poisson` and `statsmodels` give the same limits through the same
incomplete gamma function, which is called directly: it loads in milliseconds.
"""

from __future__ import annotations

CONFIDENCE = 0.9
"""Of a bound or an interval, unless another is asked for."""


def rate_bound(events: int, hours: float, *, confidence: float = CONFIDENCE) -> float:
    """Return the upper confidence bound of a Poisson rate.

    Parameters
    ----------
    events : int
    hours : float
        How long was looked.
    confidence : float
        One-sided.

    Returns
    -------
    float
        Events per hour.
    """
    from scipy.special import gammaincinv

    return float(gammaincinv(events + 1, confidence)) / max(hours, 1e-9)


def rate_interval(
    events: int, hours: float, *, confidence: float = CONFIDENCE
) -> tuple[float, float]:
    """Return the exact two-sided interval of a Poisson rate.

    Source: F. Garwood, *Biometrika* 28 (1936) 437-442.

    Parameters
    ----------
    events : int
    hours : float
        How long was looked.
    confidence : float
        Two-sided.

    Returns
    -------
    low, high : float
        Events per hour.
    """
    from scipy.special import gammaincinv

    rest = (1 - confidence) / 2
    low = float(gammaincinv(events, rest)) if events else 0.0
    high = float(gammaincinv(events + 1, 1 - rest))
    return low / max(hours, 1e-9), high / max(hours, 1e-9)
