"""Least squares where all but one or two parameters are linear, done safely.

A general optimiser that starts badly can return its start as the answer and
say nothing. Here only the few nonlinear parameters are searched (a grid, then
a simplex from its best points, never accepted when worse than the grid); the
linear ones are solved for exactly at every step (variable projection: Golub &
Pereyra, SIAM J. Numer. Anal. 10, 1973). Residuals may be given Huber weights
(P. J. Huber, Ann. Math. Statist. 35, 1964).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from replay.statistics.regression import HUBER
from replay.statistics.spread import MAD_TO_SD_TABLE

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LinearFit:
    """One linear fit: coefficients, residuals and the weights they ended with."""

    coefficients: Array
    residuals: Array
    weights: Array
    scale: float
    loss: float
    rank: int


@dataclass(frozen=True, slots=True)
class SeparableFit:
    """The best nonlinear parameters and the linear fit that goes with them.

    ``covariance`` covers the linear coefficients first, then the nonlinear
    ones; ``at_edge`` tells which of these ended on an edge of its grid, where
    the data cannot say how much further it lies.
    """

    nonlinear: Array
    linear: LinearFit
    covariance: Array
    at_edge: tuple[bool, ...]

    @property
    def standard_errors(self) -> Array:
        """Return standard errors, linear coefficients first."""
        out: Array = np.sqrt(np.maximum(np.diag(self.covariance), 0.0))
        return out


def linear_fit(design: Array, y: Array, *, robust: bool = True, rounds: int = 12) -> LinearFit:
    """Solve a linear model by least squares, or with Huber weights.

    Parameters
    ----------
    design : (n, p)
    y : (n,)
    robust : bool
        Reweight until the coefficients settle, at most ``rounds`` times.
    """
    weights = np.ones(len(y))
    coefficients, rank = _solve(design, y)
    residuals = y - design @ coefficients
    scale = _scale(residuals) if robust else 0.0
    if robust and scale > 0:
        for _ in range(rounds):
            size = np.abs(residuals) / scale
            weights = np.where(size > HUBER, HUBER / np.maximum(size, HUBER), 1.0)
            root = np.sqrt(weights)
            before = coefficients
            coefficients, rank = _solve(design * root[:, None], y * root)
            residuals = y - design @ coefficients
            scale = max(_scale(residuals), 1e-300)
            if np.allclose(coefficients, before, rtol=1e-5, atol=1e-9):
                break
    return LinearFit(coefficients, residuals, weights, scale, _loss(residuals, scale, robust), rank)


def separable_fit(
    design: Callable[[Array], Array],
    y: Array,
    grids: Sequence[Array],
    *,
    robust: bool = True,
    groups: NDArray[np.int64] | None = None,
    tolerance: float = 1e-9,
) -> SeparableFit:
    """Fit ``y = design(theta) @ b``, searching ``theta`` and solving for ``b``.

    Parameters
    ----------
    design : callable
        ``theta`` (m,) to the (n, p) design matrix.
    y : (n,)
    grids : m arrays
        Values to try for each nonlinear parameter, rising. The answer stays
        between the first and the last.
    robust : bool
        Huber weights.
    groups : (n,) int, optional
        Rows that share a group are taken as dependent: their residuals are
        summed before squaring (sandwich covariance; Liang & Zeger,
        Biometrika 73, 1986). Without groups the classical covariance.
    tolerance : float
        How closely the nonlinear parameters are settled: one of them as a
        share of its grid's step, several as a share of their grid's span.
    """
    from scipy.optimize import minimize, minimize_scalar

    low = np.array([g[0] for g in grids])
    high = np.array([g[-1] for g in grids])
    tried: list[tuple[float, Array]] = []
    for theta in product(*grids):
        at = np.array(theta)
        fit = linear_fit(design(at), y, robust=robust, rounds=4)
        tried.append((fit.loss, at))
    tried.sort(key=lambda pair: pair[0])
    best_loss, best = tried[0]

    def cost(theta: Array) -> float:
        inside = np.clip(theta, low, high)
        off = float(np.sum(((theta - inside) / (high - low)) ** 2))
        return linear_fit(design(inside), y, robust=robust).loss * (1 + off) + off

    if len(grids) == 1 and len(grids[0]) > 1:
        place = int(np.argmin(np.abs(grids[0] - best[0])))
        around = (grids[0][max(place - 1, 0)], grids[0][min(place + 1, len(grids[0]) - 1)])
        line = minimize_scalar(
            lambda v: cost(np.array([v])),
            bounds=around,
            method="bounded",
            options={"xatol": tolerance * float(around[1] - around[0])},
        )
        if line.fun < best_loss:
            best = np.array([float(line.x)])
    elif len(grids) > 1:
        span = high - low
        for _, start in tried[:2]:
            found = minimize(
                lambda share: cost(low + share * span),
                (start - low) / span,
                method="Nelder-Mead",
                options={"xatol": tolerance, "fatol": 0.0, "maxfev": 400 * len(grids)},
            )
            if found.fun < best_loss and np.isfinite(found.fun):
                best_loss, best = float(found.fun), np.clip(low + found.x * span, low, high)
    linear = linear_fit(design(best), y, robust=robust)
    width = high - low
    at_edge = tuple(
        bool(v <= a + 1e-6 * s or v >= b - 1e-6 * s)
        for v, a, b, s in zip(best, low, high, width, strict=True)
    )
    jacobian = _jacobian(design, best, linear.coefficients, width)
    return SeparableFit(best, linear, covariance(jacobian, linear, groups), at_edge)


def covariance(design: Array, fit: LinearFit, groups: NDArray[np.int64] | None = None) -> Array:
    """Return the covariance of the coefficients of a fit with this design (or Jacobian)."""
    n, count = design.shape
    weighted = design * fit.weights[:, None]
    inverse = np.linalg.pinv(design.T @ weighted, rcond=1e-14, hermitian=True)
    if groups is None:
        spread = float(np.sum(fit.weights * fit.residuals**2)) / max(n - count, 1)
        out: Array = spread * inverse
        return out
    _, number = np.unique(groups, return_inverse=True)
    total = np.zeros((int(number.max()) + 1, count))
    np.add.at(total, number, weighted * fit.residuals[:, None])
    clusters = len(total)
    small = clusters / max(clusters - 1, 1) * (n - 1) / max(n - count, 1)
    out = small * inverse @ (total.T @ total) @ inverse
    return out


def _jacobian(
    design: Callable[[Array], Array], theta: Array, coefficients: Array, span: Array
) -> Array:
    columns = [design(theta)]
    for i in range(len(theta)):
        step = np.zeros(len(theta))
        step[i] = 1e-5 * max(abs(float(theta[i])), 1e-3 * float(span[i]))
        slope = (design(theta + step) - design(theta - step)) @ coefficients / (2 * step[i])
        columns.append(slope[:, None])
    return np.hstack(columns)


def _solve(design: Array, y: Array) -> tuple[Array, int]:
    scale = np.sqrt(np.einsum("np,np->p", design, design))
    scale = np.where(scale > 0, scale, 1.0)
    if len(y) > 500:  # long designs by their normal equations, when these are sound
        unit = design / scale
        normal = unit.T @ unit
        if np.linalg.cond(normal) < 1e8:
            return np.linalg.solve(normal, unit.T @ y) / scale, design.shape[1]
    coefficients, _, rank, _ = np.linalg.lstsq(design / scale, y, rcond=1e-13)
    return coefficients / scale, int(rank)


def _scale(residuals: Array) -> float:
    """Return the robust standard deviation, the plain one where most residuals are nothing."""
    size, half = np.abs(residuals), len(residuals) // 2
    # the median of a long series by one partition; np.median checks more than it sorts
    median = np.partition(size, half)[half] if half > 250 else np.median(size)
    middle = MAD_TO_SD_TABLE * float(median)
    return middle if middle > 0 else float(np.std(residuals))


def _loss(residuals: Array, scale: float, robust: bool) -> float:
    """Return the sum of squares, or Huber's proposal-2 like loss, comparable between fits."""
    if not robust:
        return float(residuals @ residuals)
    if scale <= 0:
        return 0.0
    size = np.abs(residuals) / scale
    capped = np.where(size <= HUBER, 0.5 * size**2, HUBER * size - 0.5 * HUBER**2)
    return float(scale**2 * np.sum(capped))
