"""Variances of alike things, each measured with few degrees of freedom, drawn together."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import digamma, polygamma

Floats = NDArray[np.float64]

ALIKE = 1e-5
"""Log variances that differ by less beyond chance are alike: of 200,000 degrees of freedom."""


def moderated(variance: Floats, freedom: float | Floats) -> Floats:
    """Return variances drawn to what all units have in common, the more the fewer sessions told.

    Empirical Bayes (Smyth, Stat. Appl. Genet. Mol. Biol. 3, 2004): a unit's variance
    is the mean of its own and of the common one, weighted by degrees of freedom;
    those of the common one come from how far units lie apart beyond chance.

    Parameters
    ----------
    variance : ndarray, (units, k)
        NaN where a unit showed too little.
    freedom : float or ndarray, (units,)
        Degrees of freedom that each was measured with.
    """
    made = variance.copy()
    every = np.broadcast_to(np.maximum(freedom, 1.0), variance.shape[:1])
    for k in range(variance.shape[1]):
        some = np.isfinite(variance[:, k]) & (variance[:, k] > 0)
        if some.sum() < 3:
            continue
        d = every[some]
        ln = np.log(variance[some, k]) - digamma(d / 2) + np.log(d / 2)
        beyond = float(np.var(ln, ddof=1) - np.mean(polygamma(1, d / 2)))
        common = float(np.mean(ln))
        if beyond <= ALIKE:
            made[:, k] = np.exp(common)
            continue
        d0 = 2 * _trigamma_inverse(beyond)
        common = float(np.exp(common + digamma(d0 / 2) - np.log(d0 / 2)))
        own = np.where(some, variance[:, k], common)
        made[:, k] = (d0 * common + every * own) / (d0 + every)
    return made


def _trigamma_inverse(value: float) -> float:
    return float(brentq(lambda x: polygamma(1, x) - value, 1e-3, 1e6))
