"""When is the limit reached: several wear laws, averaged, with an interval.

The words are those of ISO 13381-1: a prognosis gives a *remaining useful
life* up to a stated limit, with a stated confidence; an assumed law is part of
the statement. No single law is believed. Each law is a curve with two free
numbers, ``level + growth * shape(t)``, fitted together with what temperature,
load, rate and base end explain: corrected beforehand by a straight trend, they
would take a bend of the wear for a season of theirs. The posterior of a law
under a flat prior is exact (a Student distribution); laws are weighted by
Schwarz's criterion (A. E. Raftery, *Sociological Methodology* 25 (1995)
111-163), and the crossing times of curves drawn from all of them make the
interval.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from replay.statistics.regression import huber
from replay.statistics.spread import spread_about_zero
from replay.wear.histories.aggregation import numbers_of

Floats = npt.NDArray[np.float64]

FEWEST = 8
"""Fewer values than this say nothing about a law."""

HORIZON = 6.0
"""How far ahead, in lengths of the history, a crossing is looked for. Further
out every law is a guess."""

DRAWS = 1200

WILD = 4.0
"""A value further from the best curve than this many spreads is brought in."""


@dataclass(frozen=True, slots=True)
class Projection:
    """When the limit is reached, in the unit of the times given.

    ``median``, ``low`` or ``high`` is None where it lies beyond the horizon:
    ``low`` may still be known when ``median`` is not ("not before").
    """

    word: str
    """``projected``, ``passed``, ``beyond`` (not within the horizon) or
    ``impossible``."""
    reason: str
    limit: float
    median: float | None = None
    low: float | None = None
    high: float | None = None
    chance: float = 0.0
    """Share of the drawn curves that cross within the horizon."""
    horizon: float = 0.0
    laws: tuple[tuple[str, float], ...] = ()
    """Law and its weight, heaviest first."""
    fan: tuple[tuple[float, float, float, float], ...] = ()
    """Time, and low, median and high of the drawn curves there, from the last
    session to the last crossing of the interval, else to the horizon."""


def project(
    times: Floats,
    values: Floats,
    limit: float,
    *,
    worse: str = "up",
    variance_factor: float = 1.0,
    weights: Floats | None = None,
    conditions: Floats | None = None,
    sections: npt.NDArray[np.int64] | None = None,
    confidence: float = 0.9,
    random_state: int = 0,
) -> Projection:
    """Project a history to its limit.

    Parameters
    ----------
    times, values : array of shape (n,), in order of time
    limit : float
    worse : {"up", "down"}
        The side from which the limit is reached.
    variance_factor : float
        Price of autocorrelation, as for slopes.
    weights : array of shape (n,), optional
    conditions : array of shape (n, k), optional
        What else moves the values, nought under the usual conditions, for
        which the crossing is told.
    sections : array of int of shape (n,), optional
        Each section has a level of its own; the last one's counts.
    confidence : float
    random_state : int
        The draws are the same for the same seed.

    Returns
    -------
    Projection
    """
    n = len(values)
    sign = 1.0 if worse == "up" else -1.0
    span = float(np.ptp(times)) if n else 0.0
    if n < FEWEST or span <= 0:
        return Projection("impossible", f"{n} sessions say nothing about a law", limit)
    start, now = float(times[0]), float(times[-1])
    t = (times - start) / span
    w = np.ones(n) if weights is None else weights / np.mean(weights)
    # crossing is from below to above zero
    fits = _fits(
        t, sign * (values - limit), w, _covariates(n, conditions, sections), n / variance_factor
    )
    rng = np.random.default_rng(random_state)
    counts = rng.multinomial(DRAWS, fits.chance)
    crossings = np.concatenate(
        [_crossings(fits, int(k), int(counts[k]), rng) for k in np.flatnonzero(counts)]
    )
    laws: dict[str, float] = {}
    for law, share in zip(LAWS, fits.chance, strict=True):
        laws[law.name] = laws.get(law.name, 0.0) + float(share)
    ranked = tuple(sorted(laws.items(), key=lambda pair: -pair[1]))
    tail = (1 - confidence) / 2
    low, median, high = np.quantile(crossings, [tail, 0.5, 1 - tail], method="inverted_cdf")
    crossed = float(np.mean(np.isfinite(crossings)))
    horizon = now + HORIZON * span

    def place(value: float) -> float | None:
        return start + value * span if np.isfinite(value) else None

    if high <= 1.0:
        word, reason = "passed", "the limit was reached within the history"
    elif np.isfinite(median):
        word, reason = "projected", f"laws averaged; the heaviest is {ranked[0][0]}"
    elif np.isfinite(low):
        word = "beyond"
        reason = (
            "more than half of the courses that fit do not reach the limit within "
            f"{HORIZON:.0f} lengths of the history"
        )
    else:
        word, reason = "impossible", "no course that fits the history comes near the limit"
    fan = tuple(
        (start + at * span, min(limit + sign * a, limit + sign * c), limit + sign * b,
         max(limit + sign * a, limit + sign * c))
        for at, (a, b, c) in _fan(fits, counts, high, tail, random_state)
    )  # fmt: skip
    return Projection(
        word, reason, limit, place(median), place(low), place(high), crossed, horizon, ranked, fan
    )


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
_GRID: Floats = np.linspace(0.0, 1.0 + HORIZON, 1401)
_CURVES = [law.shape(_GRID) for law in LAWS]
_NOW = np.array([float(law.shape(np.ones(1))[0]) for law in LAWS])
_PRIOR = np.array([law.prior for law in LAWS])


@dataclass(frozen=True, slots=True)
class _Fits:
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


def _covariates(
    n: int, conditions: Floats | None, sections: npt.NDArray[np.int64] | None
) -> Floats:
    """Return the columns that every law has besides its shape, the level first."""
    columns = [np.ones(n)]
    if sections is not None:
        columns += [(sections == s).astype(float) for s in numbers_of(sections)[:-1]]
    covariates = np.column_stack(columns)
    return covariates if conditions is None else np.column_stack([covariates, conditions])


def _fits(t: Floats, y: Floats, w: Floats, covariates: Floats, told: float) -> _Fits:
    """Fit all laws at once: what the other columns explain is taken out of both sides.

    That a regression's coefficient is found so is the theorem of R. Frisch and
    F. V. Waugh, *Econometrica* 1 (1933) 387-401.
    """
    n = len(y)
    told = min(max(told, 4.0), float(n))
    shapes = np.column_stack([law.shape(t) for law in LAWS])
    inverse = np.linalg.pinv(covariates.T @ (covariates * w[:, None]))
    onto = inverse @ (covariates * w[:, None]).T
    lean = onto @ shapes
    apart = shapes - covariates @ lean
    size = w @ apart**2
    grows = size > 1e-9 * np.maximum(w @ shapes**2, 1e-30)
    inverted = np.where(grows, 1.0 / np.where(grows, size, 1.0), 0.0)
    count = covariates.shape[1] + grows
    y = tame = _fenced(t, y, w, covariates)
    for _ in range(6):
        own = onto @ tame
        left = tame - covariates @ own
        growth = inverted * (apart.T @ (w * left))
        square = np.maximum(w @ left**2 - growth**2 * size, 0.0) + 1e-18
        criterion = told * np.log(square / n) + count * np.log(told)
        best = int(np.argmin(criterion))
        curve = covariates @ own + growth[best] * apart[:, best]
        spread = spread_about_zero(y - curve)
        before, tame = tame, curve + np.clip(y - curve, -WILD * spread, WILD * spread)
        if np.max(np.abs(tame - before)) <= 1e-6 * spread:
            break
    chance = np.exp(-(criterion - criterion.min()) / 2) * _PRIOR
    return _Fits(
        chance=chance / chance.sum(),
        level=own[0] - growth * lean[0],
        growth=growth,
        level_root=float(inverse[0, 0]) ** 0.5,
        growth_root=np.sqrt(inverted),
        lean=lean[0],
        variance=square / np.maximum(n - count, 1) * (n / told),
        freedom=np.maximum(told - count, 1.0),
    )


def _fenced(t: Floats, y: Floats, w: Floats, covariates: Floats) -> Floats:
    """Bring single wild values in to their neighbourhood, before a late law can chase one.

    A running median bounds what is left after the other columns, whose share is
    told beside a parabola by regression with bounded residuals.
    """
    design = np.column_stack([covariates, t, t * t])
    fit = huber(design, y, w, standardise=False, rounds=5, settled=0.0)
    spread = spread_about_zero(fit.residuals)
    if spread <= 0:
        return y
    left = y - covariates[:, 1:] @ fit.coefficients[1 : covariates.shape[1]]
    half = min(3, (len(y) - 1) // 2)
    windows = np.lib.stride_tricks.sliding_window_view(
        np.pad(left, half, mode="reflect"), 2 * half + 1
    )
    middle = np.median(windows, axis=1)
    return y + np.clip(left, middle - WILD * spread, middle + WILD * spread) - left


FAN_TIMES = 32
"""Instants at which the fan is told."""


def _fan(
    fits: _Fits, counts: npt.NDArray[np.int64], high: float, tail: float, random_state: int
) -> list[tuple[float, tuple[float, float, float]]]:
    """Return quantiles of the drawn curves, less the limit, over the time ahead.

    Drawn as the crossings are, from a stream of their own: the dates stay what
    they were. Shown to the interval's late end where there is one.
    """
    end = float(high) if np.isfinite(high) and high > 1.0 else 1.0 + HORIZON
    at = np.linspace(1.0, min(1.0 + (end - 1.0) * 1.05, 1.0 + HORIZON), FAN_TIMES)
    rng = np.random.default_rng(random_state + 1)
    drawn = []
    for k in np.flatnonzero(counts):
        level, growth = _drawn(fits, int(k), int(counts[k]), rng)
        drawn.append(level[:, None] + growth[:, None] * LAWS[int(k)].shape(at)[None, :])
    curves = np.concatenate(drawn)
    low, middle, most = np.quantile(curves, [tail, 0.5, 1 - tail], axis=0)
    return [
        (float(t), (float(a), float(b), float(c)))
        for t, a, b, c in zip(at, low, middle, most, strict=True)
    ]


def _drawn(fits: _Fits, k: int, count: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Return levels and growths drawn from law ``k``."""
    freedom = fits.freedom[k]
    scale = np.sqrt(fits.variance[k] * freedom / rng.chisquare(freedom, count))
    step = rng.standard_normal(count) * fits.growth_root[k]
    shift = rng.standard_normal(count) * fits.level_root - fits.lean[k] * step
    return fits.level[k] + scale * shift, fits.growth[k] + scale * step


def _crossings(fits: _Fits, k: int, count: int, rng: np.random.Generator) -> Floats:
    """Return crossing times drawn from law ``k``, infinite beyond the grid."""
    level, growth = _drawn(fits, k, count, rng)
    with np.errstate(divide="ignore", invalid="ignore"):
        needed = -level / growth
    when = np.interp(needed, _CURVES[k], _GRID, left=0.0, right=np.inf)
    now = level + growth * _NOW[k]
    return np.where(growth > 0, when, np.where(now >= 0, 0.0, np.inf))
