"""Robust least squares and robust spreads, plain numpy.

Tukey's bisquare by iteratively reweighted least squares, started from
absolute deviations: a fault hidden in a tenth of the rows gets no weight
(Huber and Ronchetti, "Robust Statistics", 2nd ed. 2009, ch. 7).
"""

from __future__ import annotations

import numpy as np

from replay.models.bins import Floats

MAD_TO_SD = 1.4826
"""Ratio of standard deviation to median absolute deviation, normal law."""

BISQUARE = 4.685
"""Tuning constant for 95 % efficiency under the normal law."""


def spread(values: Floats) -> float:
    """Robust standard deviation about the median; NaN for no values."""
    good = values[np.isfinite(values)]
    if not good.size:
        return float("nan")
    centre = np.median(good)
    return float(MAD_TO_SD * np.median(np.abs(good - centre)))


def spread_about_zero(values: Floats) -> float:
    """Robust root mean square; NaN for no values."""
    good = values[np.isfinite(values)]
    return float(MAD_TO_SD * np.median(np.abs(good))) if good.size else float("nan")


def fit(
    design: Floats, response: Floats, weight: Floats | None = None, *, ridge: float = 1e-3
) -> tuple[Floats, Floats, float]:
    """Fit ``response`` on ``design`` robustly.

    Parameters
    ----------
    design : array, shape (n, p)
    response : array, shape (n,)
    weight : array, shape (n,), optional
        Prior weight of each row.
    ridge : float
        Pull towards zero, as a fraction of each column's own energy.

    Returns
    -------
    coefficients : array, shape (p,)
    inverse : array, shape (p, p)
        Inverse of the weighted normal matrix, for leverages.
    scale : float
        Robust spread of the residuals, in the response's unit.
    """
    rows, wide = design.shape
    prior = np.ones(rows) if weight is None else weight
    mean_energy = np.einsum("ij,ij,i->j", design, design, prior) / max(prior.sum(), 1e-12)
    pull = np.diag(ridge * np.maximum(mean_energy, 1e-12) * prior.sum() + 1e-9)
    current_weight: Floats = prior
    beta: Floats = np.zeros(wide)
    inverse: Floats = np.linalg.inv(pull)
    scale = float("nan")
    for step in range(10):
        weighted = design * current_weight[:, None]
        normal = weighted.T @ design + pull
        new = np.linalg.solve(normal, weighted.T @ response)
        rest = response - design @ new
        scale = max(spread_about_zero(rest), 1e-12)
        if step < 3:
            current_weight = prior / np.maximum(np.abs(rest) / scale, 0.1)
        else:
            u = np.clip(rest / (BISQUARE * scale), -1.0, 1.0)
            current_weight = prior * (1 - u * u) ** 2
        moved = np.max(np.abs(design[:: max(1, rows // 500)] @ (new - beta))) if rows else 0.0
        beta = np.asarray(new, dtype=np.float64)
        inverse = np.asarray(np.linalg.inv(normal), dtype=np.float64)
        if step > 4 and moved < 3e-3 * scale:
            break
    return beta, inverse, scale
