"""Is there a trend at all: the Mann-Kendall test, with ties and memory.

Sources: R. O. Gilbert, *Statistical Methods for Environmental Pollution
Monitoring* (1987), chapters 16 and 17 (ties in the values and several values
at one time); K. H. Hamed and A. R. Rao, *J. Hydrology* 204 (1998) 182-196
(variance under autocorrelation, by ranks); S. Yue and C. Wang, *Water
Resources Management* 18 (2004) 201-218 (effective sample size).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from replay.statistics.spread import spread

Floats = npt.NDArray[np.float64]

EXACT_BELOW = 10
"""Gilbert 1987: the normal approximation is for ten values and more."""


@dataclass(frozen=True, slots=True)
class RankTest:
    """Outcome of a Mann-Kendall test; ``p_value`` is two-sided."""

    n: int
    s: float
    variance: float
    z: float
    p_value: float
    tau: float
    method: str
    """``exact`` (small n, no ties) or ``normal``."""


def mann_kendall(
    values: npt.ArrayLike,
    times: npt.ArrayLike | None = None,
    *,
    sections: npt.ArrayLike | None = None,
    variance_factor: float = 1.0,
) -> RankTest:
    """Test for a monotone trend.

    Parameters
    ----------
    values : array of shape (n,)
        In order of time, unless ``times`` is given.
    times : array of shape (n,), optional
        Pairs of equal time say nothing and are left out.
    sections : array of int of shape (n,), optional
        Only pairs of one section are compared (as seasons are in Gilbert's
        chapter 17), so that a step at a repair is no trend.
    variance_factor : float
        What the variance of S is multiplied by for autocorrelation, see
        `memory_factor`. Other than 1, the exact table
        is not used.

    Returns
    -------
    RankTest

    Examples
    --------
    Gilbert 1987, page 211:

    >>> mann_kendall([10, 15, 14, 20]).s
    4.0
    """
    y, t, groups = _ordered(values, times, sections)
    s = variance = pairs = 0.0
    exact = variance_factor == 1.0 and groups[-1] == groups[0] if len(y) else False
    for number in np.unique(groups):
        own = groups == number
        s += score(y[own], t[own])
        variance += score_variance(y[own], t[own])
        pairs += _pairs(t[own])
    n = len(y)
    exact = exact and n < EXACT_BELOW and not _has_ties(y) and not _has_ties(t)
    variance *= variance_factor
    z = (s - np.sign(s)) / np.sqrt(variance) if variance > 0 else 0.0
    p = exact_p_value(n, abs(int(s))) if exact else float(2.0 * ndtr(-abs(z)))
    return RankTest(
        n=n,
        s=float(s),
        variance=float(variance),
        z=float(z),
        p_value=min(1.0, p),
        tau=float(s / pairs) if pairs else 0.0,
        method="exact" if exact else "normal",
    )


def score(values: Floats, times: Floats) -> float:
    """Return S: pairs that rise less pairs that fall, equal times left out."""
    total = 0
    n = len(values)
    step = max(1, 4_000_000 // max(n, 1))
    for first in range(0, n, step):
        rows = slice(first, first + step)
        rise = np.sign(values[None, first:] - values[rows, None])
        later = times[None, first:] > times[rows, None]
        total += int(rise[later].sum())
    return float(total)


def score_variance(values: Floats, times: Floats) -> float:
    """Return the variance of S without trend, ties in both taken into account.

    Gilbert 1987, equation 16.7 (from Kendall 1975).
    """
    n = float(len(values))
    if n < 2:
        return 0.0
    u = np.unique(values, return_counts=True)[1].astype(float)
    v = np.unique(times, return_counts=True)[1].astype(float)
    variance = (
        n * (n - 1) * (2 * n + 5)
        - np.sum(u * (u - 1) * (2 * u + 5))
        - np.sum(v * (v - 1) * (2 * v + 5))
    ) / 18.0
    variance += np.sum(u * (u - 1)) * np.sum(v * (v - 1)) / (2 * n * (n - 1))
    if n > 2:
        third = np.sum(u * (u - 1) * (u - 2)) * np.sum(v * (v - 1) * (v - 2))
        variance += third / (9 * n * (n - 1) * (n - 2))
    return float(variance)


def exact_p_value(n: int, s: int) -> float:
    """Return the two-sided probability of ``|S| >= s`` for n untied values.

    Examples
    --------
    >>> round(exact_p_value(5, 6), 4)
    0.2333
    """
    counts = _inversions(n)
    top = n * (n - 1) // 2
    scores = top - 2 * np.arange(top + 1)
    return float(counts[np.abs(scores) >= s].sum() / counts.sum())


@lru_cache(maxsize=32)
def _inversions(n: int) -> Floats:
    """Return how many orders of n values have 0, 1, 2, ... inversions."""
    counts = np.ones(1)
    for k in range(2, n + 1):
        counts = np.convolve(counts, np.ones(k))
    return counts


def memory_factor(
    residual: npt.ArrayLike, *, sections: npt.ArrayLike | None = None, parameters: int = 2
) -> float:
    """Return how much less the values say than as many independent ones.

    ``(1 + r) / (1 - r)`` for the first autocorrelation r of a trend-free
    residual (Yue and Wang 2004, first-order case). The usual estimate of r is
    too low in short series; it is corrected as ``r + (1 + 4 r) / n`` (M. G.
    Kendall, *Biometrika* 41 (1954) 403, for a residual about a mean; each
    further fitted number costs about as much again, hence ``parameters``).
    Never below 1: a negative r is not taken as a gain.
    """
    e = np.asarray(residual, dtype=float)
    groups = np.zeros(len(e), int) if sections is None else np.asarray(sections)
    if len(e) < 6:
        return 1.0
    scale = spread(e)
    if scale <= 0:
        return 1.0
    e = np.clip(e, -4 * scale, 4 * scale)
    same = groups[1:] == groups[:-1]
    r = float(np.sum(e[1:][same] * e[:-1][same]) / np.sum(e * e))
    n = len(e)
    r = r + (parameters + 4 * r) / n
    if r <= 0:
        return 1.0
    # By chance r scatters by about n ** -0.5, and by the correction's 4 / n
    # more; it is drawn towards nothing by that much (positive part of C. Stein's
    # rule), or short histories would pay for a memory that they do not have.
    r *= max(0.0, 1.0 - (1 + 4 / n) ** 2 / (n * r * r))
    r = min(r, 0.95)
    return (1 + r) / (1 - r)


def _ordered(
    values: npt.ArrayLike, times: npt.ArrayLike | None, sections: npt.ArrayLike | None
) -> tuple[Floats, Floats, npt.NDArray[np.int64]]:
    y = np.asarray(values, dtype=float)
    t = np.arange(len(y), dtype=float) if times is None else np.asarray(times, dtype=float)
    g = np.zeros(len(y), np.int64) if sections is None else np.asarray(sections, dtype=np.int64)
    order = np.argsort(t, kind="stable")
    return y[order], t[order], g[order]


def _pairs(times: Floats) -> float:
    n = len(times)
    same = np.unique(times, return_counts=True)[1]
    return n * (n - 1) / 2 - float(np.sum(same * (same - 1) / 2))


def _has_ties(x: Floats) -> bool:
    return len(np.unique(x)) < len(x)
