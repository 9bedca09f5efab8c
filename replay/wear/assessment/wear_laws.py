"""The laws that wear may follow, and how each fits a history."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from replay.statistics.regression import huber
from replay.statistics.spread import spread_about_zero
from replay.wear.histories.aggregation import numbers_of

Floats = npt.NDArray[np.float64]


HORIZON = 6.0
"""How far ahead, in lengths of the history, a crossing is looked for. Further
out every law is a guess."""


WILD = 4.0
"""A value further from the best curve than this many spreads is brought in."""


@dataclass(frozen=True, slots=True)
class _Law:
    name: str
    shape: Callable[[Floats], Floats]
    prior: float


def _laws() -> tuple[_Law, ...]:
    """Return the laws; the members of a family share its weight.

    Growing ever faster is what worn parts mostly do, and a young history says
    little against it: with equal weights the dates of such units come too late
    (``tests/benchmarks/wear.py`` counts how often each law's interval holds).
    """

    def power(p: float) -> Callable[[Floats], Floats]:
        return lambda t: t**p

    def exponential(k: float) -> Callable[[Floats], Floats]:
        return lambda t: np.expm1(np.minimum(k * t, 50.0))

    def bent(at: float, p: float) -> Callable[[Floats], Floats]:
        return lambda t: np.maximum(t - at, 0.0) ** p

    # a straight rise is two thirds of the late beginners
    late = [bent(a / 40, p) for a in range(4, 37) for p in (1.0, 1.0, 1.5)]
    families: list[tuple[str, float, list[Callable[[Floats], Floats]]]] = [
        ("straight", 2.0, [power(1.0)]),
        ("quickening", 1.0, [power(p) for p in (1.25, 1.5, 2.0, 2.5, 3.0)]),
        ("quickening", 3.0, [exponential(k) for k in (0.5, 1, 1.5, 2, 3, 4)]),
        ("slowing", 2.0, [power(0.5), power(0.75), lambda t: np.log1p(5 * t)]),
        ("begun late", 2.0, late),
        ("level", 1.0, [np.zeros_like]),
    ]
    return tuple(
        _Law(name, f, weight / len(members)) for name, weight, members in families for f in members
    )


LAWS = _laws()


GRID: Floats = np.linspace(0.0, 1.0 + HORIZON, 1401)


CURVES = [law.shape(GRID) for law in LAWS]


NOW = np.array([float(law.shape(np.ones(1))[0]) for law in LAWS])


_PRIOR = np.array([law.prior for law in LAWS])


@dataclass(frozen=True, slots=True)
class Fits:
    """Every law's fit; arrays of shape (laws,)."""

    chance: Floats
    level: Floats
    """Level under the usual conditions at the start, less the limit."""
    growth: Floats
    level_root: float
    """Standard deviation of the level for a given growth, noise 1."""
    growth_root: Floats
    """Standard deviation of the growth, noise 1; 0 where there is none."""
    lean: Floats
    """How the level falls when the growth is drawn larger."""
    variance: Floats
    """Of the noise, dearer for its memory."""
    freedom: Floats


def covariate_columns(
    n: int, conditions: Floats | None, sections: npt.NDArray[np.int64] | None
) -> Floats:
    """Return the columns that every law has besides its shape, the level first."""
    columns = [np.ones(n)]
    if sections is not None:
        columns += [(sections == s).astype(float) for s in numbers_of(sections)[:-1]]
    covariates = np.column_stack(columns)
    return covariates if conditions is None else np.column_stack([covariates, conditions])


def fitted_laws(
    t: Floats,
    y: Floats,
    w: Floats,
    covariates: Floats,
    told: float,
    prior: Floats | None = None,
) -> Fits:
    """Fit all laws at once: what the other columns explain is taken out of both sides.

    That a regression's coefficient is found so is the theorem of R. Frisch and
    F. V. Waugh, *Econometrica* 1 (1933) 387-401. ``prior``, of shape (k, k), is the precision
    of the last k of those columns' coefficients, which are known to be about nought.
    """
    n = len(y)
    told = min(max(told, 4.0), float(n))
    shapes = np.column_stack([law.shape(t) for law in LAWS])
    known = np.zeros((covariates.shape[1],) * 2)
    if prior is not None and len(prior):
        known[-len(prior) :, -len(prior) :] = prior
    y, noise = _fenced(t, y, w, covariates, known)
    tame = y
    gram = covariates.T @ (covariates * w[:, None])
    inverse = np.linalg.pinv(gram + noise**2 * known)
    onto = inverse @ (covariates * w[:, None]).T
    lean = onto @ shapes
    apart = shapes - covariates @ lean
    size = w @ (shapes * apart)
    grows = size > 1e-9 * np.maximum(w @ shapes**2, 1e-30)
    inverted = np.where(grows, 1.0 / np.where(grows, size, 1.0), 0.0)
    # what is known beforehand takes no whole degree of freedom
    count = float(np.trace(inverse @ gram)) + grows
    for _ in range(6):
        own = onto @ tame
        left = tame - covariates @ own
        growth = inverted * (shapes.T @ (w * left))
        square = np.maximum(w @ (tame * left) - growth**2 * size, 0.0) + 1e-18
        criterion = told * np.log(square / n) + count * np.log(told)
        best = int(np.argmin(criterion))
        curve = covariates @ own + growth[best] * apart[:, best]
        spread = spread_about_zero(y - curve)
        before, tame = tame, curve + np.clip(y - curve, -WILD * spread, WILD * spread)
        if np.max(np.abs(tame - before)) <= 1e-6 * spread:
            break
    chance = np.exp(-(criterion - criterion.min()) / 2) * _PRIOR
    return Fits(
        chance=chance / chance.sum(),
        level=own[0] - growth * lean[0],
        growth=growth,
        level_root=float(inverse[0, 0]) ** 0.5,
        growth_root=np.sqrt(inverted),
        lean=lean[0],
        variance=square / np.maximum(n - count, 1) * (n / told),
        freedom=np.maximum(told - count, 1.0),
    )


def _fenced(
    t: Floats, y: Floats, w: Floats, covariates: Floats, known: Floats
) -> tuple[Floats, float]:
    """Bring single wild values in to their neighbourhood, before a late law can chase one.

    Returns the values, and the spread about a parabola.

    A running median bounds what is left after the other columns, whose share is
    told beside a parabola by regression with bounded residuals.
    """
    design = np.column_stack([covariates, t, t * t])
    wide = np.zeros((design.shape[1],) * 2)
    wide[: len(known), : len(known)] = known
    prior = wide if known.any() else None
    fit = huber(design, y, w, standardise=False, prior=prior, rounds=5, settled=0.0)
    spread = spread_about_zero(fit.residuals)
    if spread <= 0:
        return y, 0.0
    left = y - covariates[:, 1:] @ fit.coefficients[1 : covariates.shape[1]]
    half = min(3, (len(y) - 1) // 2)
    windows = np.lib.stride_tricks.sliding_window_view(
        np.pad(left, half, mode="reflect"), 2 * half + 1
    )
    middle = np.median(windows, axis=1)
    return y + np.clip(left, middle - WILD * spread, middle + WILD * spread) - left, spread
