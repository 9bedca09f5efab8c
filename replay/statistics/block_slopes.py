"""A slope from a few blocks of a series, for errors that stay for many values.

Where the work changes every few weeks, sessions are not even nearly independent, and no
correlation fitted to some tens of values tells how far they are not. The means of a few
long blocks are nearly so, and Student's law for so few of them says what they allow (R.
Ibragimov, U. K. Mueller, *J. Business & Economic Statistics* 28 (2010) 453-468).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from replay.statistics.slopes import Slope

Floats = npt.NDArray[np.float64]

BLOCKS = 6


def block_slope(
    times: Floats,
    values: Floats,
    sections: npt.NDArray[np.int64],
    *,
    confidence: float = 0.9,
    variance_factor: float = 1.0,
) -> Slope | None:
    """Return the least-squares slope of block medians, None where too few blocks are left.

    Parameters
    ----------
    times, values : array of shape (n,), in order of time
    sections : array of int of shape (n,)
        Each has a level of its own; no block reaches from one into the next.
    confidence : float
        Of the interval, two-sided.
    variance_factor : float
        What the slope's variance is multiplied by.
    """
    from scipy.stats import t as student

    n = len(times)
    block = np.arange(n) * BLOCKS // n + sections * BLOCKS
    own = [np.flatnonzero(block == b) for b in np.unique(block)]
    t = np.array([times[k].mean() for k in own])
    y = np.array([float(np.median(values[k])) for k in own])
    of = np.array([sections[k[0]] for k in own])
    levels = [(of == s).astype(float) for s in np.unique(of)]
    design = np.column_stack([*levels, t - t.mean()])
    freedom = len(own) - design.shape[1]
    if freedom < 2 or np.linalg.matrix_rank(design) < design.shape[1]:
        return None
    fitted, *_ = np.linalg.lstsq(design, y, rcond=None)
    rest = y - design @ fitted
    variance = float(rest @ rest) / freedom * float(np.linalg.inv(design.T @ design)[-1, -1])
    error = (variance * variance_factor) ** 0.5
    slope = float(fitted[-1])
    reach = error * float(student.ppf(0.5 + confidence / 2, freedom))
    return Slope(
        slope=slope,
        low=slope - reach,
        high=slope + reach,
        p_value=float(2 * student.sf(abs(slope) / error, freedom)) if error > 0 else 1.0,
    )
