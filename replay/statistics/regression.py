"""Least squares that wild values cannot pull: one reweighted fit for every room.

Source: P. J. Huber, E. M. Ronchetti, *Robust Statistics*, 2nd ed. 2009, ch. 7.

scikit-learn's `HuberRegressor` and statsmodels' `RLM` are not used: the former
fits scale and coefficients together by a general minimiser (milliseconds where
this takes tens of microseconds, and ten thousand histories are judged at a go),
neither takes a prior precision of the coefficients, and `RLM` rests on pandas.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from replay.statistics.spread import spread_about_zero

Floats = npt.NDArray[np.float64]

HUBER = 1.345
"""Huber's constant: 95 % efficiency under the normal law."""

SETTLED = 1e-5
"""Reweighting stops when no coefficient moves by this share of the largest."""


@dataclass(frozen=True, slots=True)
class RobustFit:
    """Coefficients of shape (p,) and what they leave of the response, shape (n,)."""

    coefficients: Floats
    residuals: Floats
    scale: float
    """Robust spread of the (standardised) residuals by which rows were last judged."""
    normal: Floats
    """Normal matrix of the last fit, its columns scaled to ``size``, shape (p, p)."""
    size: Floats
    """Root of each column's sum of squares, shape (p,)."""

    @property
    def covariance(self) -> Floats:
        """Of the coefficients, shape (p, p): ``scale`` squared times the inverse normal matrix."""
        inverse = np.linalg.pinv(self.normal)
        return np.asarray(self.scale**2 * inverse / np.outer(self.size, self.size))


def least_squares(design: Floats, response: Floats, weights: Floats | None = None) -> Floats:
    """Return weighted least squares by the normal equations.

    Columns are few and scaled, rows are many: this is far faster than a
    decomposition of all rows (`scipy.linalg.lstsq`), and a trace of a ridge
    keeps it solvable.

    Parameters
    ----------
    design : array of shape (n, p)
    response : array of shape (n,)
    weights : array of shape (n,), optional

    Returns
    -------
    array of shape (p,)
    """
    x, size = _scaled(design)
    return _solved(x, response, weights) / size


def huber_weights(standardised: Floats) -> Floats:
    """Return what each row counts: 1 within `HUBER` spreads, less the farther out."""
    return np.minimum(1.0, HUBER / np.maximum(np.abs(standardised), HUBER))


def huber(
    design: Floats,
    response: Floats,
    weights: Floats | None = None,
    *,
    standardise: bool = True,
    levels: npt.NDArray[np.int64] | None = None,
    prior: Floats | None = None,
    ridge: float = 0.0,
    least_scale: float = 0.0,
    scale: float | None = None,
    start: Floats | None = None,
    rounds: int = 12,
    settled: float = SETTLED,
) -> RobustFit:
    """Return Huber's regression by reweighting, its scale from the median residual.

    Parameters
    ----------
    design : array of shape (n, p)
    response : array of shape (n,)
    weights : array of shape (n,), optional
        Precision of each row: inverse variances, up to a factor unless
        ``prior`` or ``scale`` is given.
    standardise : bool
        Whether a residual is judged in units of its own row's error.
    levels : array of int of shape (n,), optional
        Groups with a level of their own each, swept out by centring (the
        fixed-effects estimator); no coefficient is given for them.
    prior : array of shape (p, p), optional
        Precision of coefficients that are known beforehand to be near zero.
    ridge : float
        Pull towards zero, as a share of each column's own energy.
    least_scale : float
        The spread of standardised residuals is never taken to be less.
    scale : float, optional
        That spread, where it is known.
    start : array of shape (p,), optional
        Coefficients by which rows are first judged; else all count fully.
    rounds : int
        At most so many fits.
    settled : float
        Fitting stops when no coefficient moves by this share of the largest;
        0 runs all rounds.

    Returns
    -------
    RobustFit
        ``residuals`` are less their group's level where ``levels`` are given.
    """
    w = np.ones(len(response)) if weights is None else weights
    size = np.sqrt(np.einsum("np,np->p", design, design))
    size = np.where(size > 0, size, 1.0)
    full, root = design / size, np.sqrt(w) if standardise else np.ones(len(w))
    known = None if prior is None else prior / np.outer(size, size)
    groups = None if levels is None else np.unique(levels, return_inverse=True)[1]
    counts = w
    solution: Floats = np.zeros(design.shape[1])
    x, rest, seen = full, response, 1.0 if scale is None else scale
    normal: Floats = np.eye(design.shape[1])

    def judged() -> float:
        return max(spread_about_zero(rest * root), least_scale) if scale is None else scale

    if start is not None:
        rest = response - design @ start
        solution, seen = start * size, judged()
        counts = w * huber_weights(rest * root / seen)
    for _ in range(rounds):
        y = response
        if groups is not None:
            x, y = _centred(full, response, counts, groups)
        weighted = x * counts[:, None]
        normal = weighted.T @ x
        diagonal = normal.diagonal()
        trace = 1e-12 * max(float(diagonal.sum()), 1e-300)
        normal = normal + np.diag(ridge * np.where(diagonal > 0, diagonal, 1.0) + trace)
        if known is not None:
            normal = normal + seen**2 * known
        before, solution = solution, _solution(normal, weighted.T @ y)
        rest = y - x @ solution
        moved = np.max(np.abs(solution - before))
        if settled and moved <= settled * np.max(np.abs(solution)):
            break
        latest = judged()
        if not latest > 0:
            break
        seen = latest
        counts = w * huber_weights(rest * root / seen)
    return RobustFit(
        coefficients=np.asarray(solution / size, dtype=float),
        residuals=np.asarray(rest, dtype=float),
        scale=seen,
        normal=normal,
        size=size,
    )


def _solution(normal: Floats, right: Floats) -> Floats:
    from scipy.linalg.lapack import dposv

    _, solution, failed = dposv(normal, right)
    if failed:  # rounding has left a pivot below nought
        solution = np.linalg.solve(normal, right)
    return np.asarray(solution, dtype=float)


def _centred(
    x: Floats, y: Floats, counts: Floats, groups: npt.NDArray[np.int64]
) -> tuple[Floats, Floats]:
    """Return design and response less their weighted means by group."""
    total = np.bincount(groups, counts)
    means = np.column_stack([np.bincount(groups, counts * c) / total for c in (*x.T, y)])
    return x - means[groups, :-1], y - means[groups, -1]


def _scaled(design: Floats) -> tuple[Floats, Floats]:
    size = np.sqrt(np.einsum("np,np->p", design, design))
    size = np.where(size > 0, size, 1.0)
    return design / size, size


def _solved(x: Floats, y: Floats, weights: Floats | None) -> Floats:
    weighted = x if weights is None else x * weights[:, None]
    normal = weighted.T @ x
    normal[np.diag_indices_from(normal)] += 1e-12 * max(float(np.trace(normal)), 1e-300)
    return _solution(normal, weighted.T @ y)
