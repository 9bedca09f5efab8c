"""Many joints, many indicators: hold the share of false discoveries.

Source: Y. Benjamini and Y. Hochberg, *J. Royal Statistical Society B* 57
(1995) 289-300; weights: C. R. Genovese, K. Roeder, L. Wasserman, *Biometrika*
93 (2006) 509-524.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def adjusted_p_values(p_values: npt.ArrayLike, weights: npt.ArrayLike | None = None) -> Floats:
    """Return the step-up adjusted p-values, in the order given.

    ``weights`` say beforehand which tests matter more; they are scaled to mean
    1, which keeps the rate, and each p-value is divided by its own.

    A discovery at rate q is one whose adjusted value is at most q. NaN stays
    NaN and is not counted as a test.

    Examples
    --------
    >>> adjusted_p_values([0.01, 0.02, 0.9]).round(3).tolist()
    [0.03, 0.03, 0.9]
    """
    p = np.asarray(p_values, dtype=float)
    out = np.full(p.shape, np.nan)
    known = np.flatnonzero(~np.isnan(p))
    if len(known):
        if weights is not None:
            w = np.asarray(weights, dtype=float)[known]
            p = p.copy()
            p[known] = p[known] / (w / w.mean())
        order = known[np.argsort(p[known], kind="stable")]
        m = len(order)
        stepped = p[order] * m / np.arange(1, m + 1)
        out[order] = np.minimum(np.minimum.accumulate(stepped[::-1])[::-1], 1.0)
    return out
