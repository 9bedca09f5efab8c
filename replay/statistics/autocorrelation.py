"""How much less values say whose neighbours resemble each other.

Source: S. Yue and C. Wang, *Water Resources Management* 18 (2004) 201-218
(effective sample size).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from replay.statistics.spread import spread


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
