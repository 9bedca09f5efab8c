"""How fast: the median of pairwise slopes, with weights and an interval.

Sources: P. K. Sen, *J. American Statistical Association* 63 (1968) 1379-1389;
G. L. Sievers, *J. American Statistical Association* 73 (1978) 628-631 (weights
on the pairs, and the variance of the weighted score).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

from replay.statistics.spread import winsorized

Floats = npt.NDArray[np.float64]


KEPT_PAIRS = 512
"""Up to so many values the places of all pairs are kept for the next history."""


@dataclass(frozen=True, slots=True)
class Slope:
    """A slope with its interval; ``p_value`` tests for slope zero, two-sided."""

    slope: float
    low: float
    high: float
    intercept: float
    """Median of ``value - slope * time`` over all sections."""
    pairs: int
    p_value: float


def theil_sen(
    times: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    weights: npt.ArrayLike | None = None,
    sections: npt.ArrayLike | None = None,
    confidence: float = 0.9,
    variance_factor: float = 1.0,
) -> Slope | None:
    """Return the (weighted) median of the pairwise slopes.

    Parameters
    ----------
    times, values : array of shape (n,)
    weights : array of shape (n,), optional
        Of single values, as inverse variances. A pair counts by the inverse
        standard deviation of its difference, to which the excess of rising
        over falling pairs under a small slope is proportional. Weights that
        are all equal give the plain Theil-Sen slope.
    sections : array of int of shape (n,), optional
        Only pairs of one section are used: one slope, own levels.
    confidence : float
        Of the interval, two-sided.
    variance_factor : float
        What the variance of the score is multiplied by for autocorrelation
        and for what the correction of conditions has cost.

    Returns
    -------
    Slope or None
        None when no two values of a section have different times.

    Examples
    --------
    >>> theil_sen([1, 2, 3, 4, 5, 6, 7, 8], [12, 8, 9, 4, 7, 5, 3, 1]).slope
    -1.5
    """
    t = np.asarray(times, dtype=float)
    y = np.asarray(values, dtype=float)
    n = len(t)
    i, j = _kept_pairs(n) if n <= KEPT_PAIRS else np.triu_indices(n, 1)
    step = t[j] - t[i]
    use = step != 0
    if sections is not None:
        g = np.asarray(sections)
        use &= g[i] == g[j]
    if not use.all():
        i, j, step = i[use], j[use], step[use]
    if not len(step):
        return None
    slopes = (y[j] - y[i]) / step
    order = np.argsort(slopes)
    slopes = slopes[order]
    z = float(ndtri(0.5 + confidence / 2))
    w = None if weights is None else np.asarray(weights, dtype=float)
    plain = w is None or np.ptp(w) <= 1e-12 * np.max(np.abs(w))
    if plain and sections is None:
        sigma = np.sqrt(_plain_variance(t, y) * variance_factor)
        total = float(len(slopes))
        slope = _middle(slopes)
        low = slopes[max(round((total - z * sigma) / 2) - 1, 0)]
        high = slopes[min(round((total + z * sigma) / 2), len(slopes) - 1)]
        score = float(np.sign(slopes).sum())
        step_of_score = 1.0
    else:
        if w is None:
            pair = np.ones(len(step))
        else:
            variance = 1.0 / w
            pair = 1.0 / np.sqrt(variance[i] + variance[j])
        sigma = np.sqrt(_weighted_variance(i, j, step, pair, n) * variance_factor)
        pair = pair[order]
        sums = np.cumsum(pair)
        total = float(sums[-1])
        slope = _weighted_middle(slopes, sums)
        low = slopes[min(np.searchsorted(sums, (total - z * sigma) / 2), len(slopes) - 1)]
        high = slopes[min(np.searchsorted(sums, (total + z * sigma) / 2), len(slopes) - 1)]
        score = float(np.sum(np.sign(slopes) * pair))
        step_of_score = 0.0
    excess = max(abs(score) - step_of_score, 0.0)
    p = float(2 * ndtr(-excess / sigma)) if sigma > 0 else 1.0
    return Slope(
        slope=float(slope),
        low=float(low),
        high=float(high),
        intercept=float(np.median(y - slope * t)),
        pairs=len(slopes),
        p_value=min(1.0, p),
    )


def between_variance(residual: Floats, se: Floats) -> float:
    """Return the variance between sessions that the standard errors leave over.

    Paule and Mandel's equation: the weighted mean square of the residual about
    its level is 1. Source: R. C. Paule and J. Mandel, *J. Research of the
    National Bureau of Standards* 87 (1982) 377-385.
    """
    n = len(residual)
    if n < 3:
        return 0.0
    e, own = winsorized(residual), se * se

    # Newton's steps from nought never pass the root: the equation is convex.
    tau2 = 0.0
    for _ in range(50):
        w = 1.0 / np.maximum(own + tau2, 1e-300)
        total = w.sum()
        square = (e - (w @ e) / total) ** 2
        excess = float(w @ square) - (n - 2)
        if excess <= 1e-9 * n:
            break
        tau2 += excess / float((w * w) @ square)
    return tau2


@lru_cache(maxsize=8)
def _kept_pairs(n: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    i, j = np.triu_indices(n, 1)
    i.flags.writeable = j.flags.writeable = False
    return i, j


def _plain_variance(t: Floats, y: Floats) -> float:
    n = float(len(t))
    ties = [np.unique(x, return_counts=True)[1].astype(float) for x in (t, y)]
    lost = sum(float(np.sum(k * (k - 1) * (2 * k + 5))) for k in ties)
    return (n * (n - 1) * (2 * n + 5) - lost) / 18.0


def _weighted_variance(
    i: npt.NDArray[np.intp], j: npt.NDArray[np.intp], step: Floats, pair: Floats, n: int
) -> float:
    """Return Var of ``sum w_ij sign(e_j - e_i)`` for exchangeable errors.

    Two pairs that share one value have signs of covariance +-1/3; with all
    weights 1 this is n(n-1)(2n+5)/18.
    """
    signed = pair * np.sign(step)
    lean = np.bincount(j, signed, n) - np.bincount(i, signed, n)
    return float((np.sum(pair * pair) + np.sum(lean * lean)) / 3.0)


def _middle(ordered: Floats) -> float:
    n = len(ordered)
    return float((ordered[(n - 1) // 2] + ordered[n // 2]) / 2)


def _weighted_middle(ordered: Floats, sums: Floats) -> float:
    half = sums[-1] / 2
    at = int(np.searchsorted(sums, half))
    if np.isclose(sums[at], half, rtol=1e-12) and at + 1 < len(ordered):
        return float((ordered[at] + ordered[at + 1]) / 2)
    return float(ordered[at])
