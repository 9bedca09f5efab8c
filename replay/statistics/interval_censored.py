"""Regression on values of which only an interval is known.

A delay between two samples' changes lies somewhere in a bracket, and leaving out the
brackets that reach nought, or counting their middles, bends a trend: the short delays
are the ones that cannot be read. Each bracket counts with the chance that a normal law
about the line falls into it (interval censoring; W. Nelson, G. J. Hahn, *Technometrics*
14 (1972) 247-269, from memory). The likelihood is maximised by `scipy.optimize` with its
own gradient.

Events of one group (a session) share what no line explains, so the covariance is
summed by groups before squaring (K.-Y. Liang, S. L. Zeger, *Biometrika* 73 (1986)
13-22); it is never less than what the likelihood's curvature says.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import log_ndtr

Floats = npt.NDArray[np.float64]

LEAST_SCALE = 0.2
"""The spread about the line is at least this share of the usual bracket. Two changes
that are each bracketed by a step of a clock that they do not follow differ from the
middle by 1/sqrt(24) = 0.204 of the bracket (the triangular law); smaller spreads make the
likelihood flat, and where the clock is followed too certain."""


@dataclass(frozen=True, slots=True)
class IntervalFit:
    """Coefficients of shape (p,), their covariance (p, p), the spread about the line."""

    coefficients: Floats
    covariance: Floats
    scale: float


def interval_regression(
    design: Floats, low: Floats, high: Floats, groups: npt.NDArray[np.int64]
) -> IntervalFit:
    """Fit a line to brackets.

    Parameters
    ----------
    design : array of shape (n, p)
    low, high : array of shape (n,)
        Each value lies between them; ``high`` is greater than ``low``.
    groups : array of int of shape (n,)
        Rows that share a group are taken as dependent.

    Returns
    -------
    IntervalFit
    """
    from scipy.optimize import minimize

    middle, width = (low + high) / 2, float(np.median(high - low))
    size = np.sqrt(np.mean(design**2, axis=0))
    x = design / np.where(size > 0, size, 1.0)
    begin = np.linalg.lstsq(x, middle, rcond=None)[0]
    rough = max(float(np.std(middle - x @ begin)), 0.25 * width)
    least = LEAST_SCALE * width

    def cost(p: Floats) -> tuple[float, Floats]:
        scale = least + np.exp(p[-1])
        chance, slope, pull = _by_row(middle - x @ p[:-1], low - middle, high - middle, scale)
        # scale's own derivative goes through the exponential
        steps = np.append(slope @ x, pull.sum() * np.exp(p[-1]))
        return -float(chance.sum()), -steps

    found = minimize(
        cost,
        np.append(begin, np.log(rough)),
        jac=True,
        method="L-BFGS-B",
        bounds=[(None, None)] * x.shape[1] + [(np.log(1e-3 * width), np.log(50 * rough))],
        options={"maxiter": 200},
    )
    beta, scale = found.x[:-1], least + float(np.exp(found.x[-1]))
    _, slope, _ = _by_row(middle - x @ beta, low - middle, high - middle, scale)
    bend = _curvature(middle - x @ beta, low, high, scale)
    inverse = np.asarray(np.linalg.pinv(x.T @ (x * bend[:, None])), dtype=float)
    covariance = _no_less(_by_groups(x * slope[:, None], inverse, groups), inverse)
    back = 1.0 / np.where(size > 0, size, 1.0)
    return IntervalFit(beta * back, covariance * np.outer(back, back), scale)


def _by_row(rest: Floats, down: Floats, up: Floats, scale: float) -> tuple[Floats, Floats, Floats]:
    """Return each row's log chance, and its derivatives by the line and by the scale."""
    a, b = (rest + down) / scale, (rest + up) / scale
    # the difference of two chances near 1 is taken between their mirror images
    turned = a + b > 0
    lower, upper = np.where(turned, -b, a), np.where(turned, -a, b)
    of_upper = log_ndtr(upper)
    apart = np.minimum(log_ndtr(lower) - of_upper, -1e-15)
    chance = of_upper + np.log(-np.expm1(apart))
    at_a, at_b = (np.exp(-0.5 * z**2 - 0.5 * np.log(2 * np.pi) - chance) for z in (a, b))
    return chance, (at_a - at_b) / scale, (a * at_a - b * at_b) / scale


def _curvature(rest: Floats, low: Floats, high: Floats, scale: float) -> Floats:
    """Return how sharply each row's log chance bends with the line; never negative."""
    half = (high - low) / 2
    step = 1e-3 * scale
    _, after, _ = _by_row(rest - step, -half, half, scale)
    _, before, _ = _by_row(rest + step, -half, half, scale)
    return np.maximum((before - after) / (2 * step), 0.0)


def _by_groups(scores: Floats, inverse: Floats, groups: npt.NDArray[np.int64]) -> Floats:
    number = np.unique(groups, return_inverse=True)[1]
    total = np.zeros((int(number.max()) + 1, scores.shape[1]))
    np.add.at(total, number, scores)
    count, p = total.shape
    spare = count / max(count - p, 1)
    out: Floats = spare * inverse @ (total.T @ total) @ inverse
    return out


def _no_less(covariance: Floats, least: Floats) -> Floats:
    """Return a covariance whose variances are no less than another's."""
    ours, theirs = np.diag(covariance), np.diag(least)
    grown = np.sqrt(np.maximum(ours, theirs) / np.maximum(ours, 1e-300))
    out: Floats = np.where(ours > 0, covariance * np.outer(grown, grown), least)
    return out
