"""When is the limit reached: several wear laws, averaged, with an interval.

The words are those of ISO 13381-1: a prognosis gives a *remaining useful
life* up to a stated limit, with a stated confidence; an assumed law is part of
the statement. No single law is believed. Each law is a curve with two free
numbers, ``level + growth * shape(t)``; its posterior under a flat prior is
exact (a Student distribution), laws are weighted by Schwarz's criterion (A. E.
Raftery, *Sociological Methodology* 25 (1995) 111-163), and the crossing times
of curves drawn from all of them make the interval.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

FEWEST = 8
"""Fewer values than this say nothing about a law."""

HORIZON = 6.0
"""How far ahead, in lengths of the history, a crossing is looked for. Further
out every law is a guess."""

DRAWS = 1200

TEMPER = 0.8


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


def project(
    times: Floats,
    values: Floats,
    limit: float,
    *,
    worse: str = "up",
    variance_factor: float = 1.0,
    weights: Floats | None = None,
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
        Autocorrelation and the price of correction, as for slopes.
    weights : array of shape (n,), optional
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
    y = sign * (values - limit)  # crossing is from below to above zero
    w = np.ones(n) if weights is None else weights / np.mean(weights)
    told = max(n / max(variance_factor, 1.0), 4.0)
    spread = _spread(t, y)
    y = np.clip(y, *_fence(t, y, spread))
    grid = np.linspace(0.0, 1.0 + HORIZON, 1401)
    rng = np.random.default_rng(random_state)
    fits = [_fit(law, t, y, w, told) for law in LAWS]
    best = min(f.criterion for f in fits)
    chance = np.array([np.exp(-TEMPER * (f.criterion - best) / 2) * f.law.prior for f in fits])
    chance /= chance.sum()
    counts = rng.multinomial(DRAWS, chance)
    crossings = np.concatenate(
        [_crossings(f, int(k), told, grid, rng) for f, k in zip(fits, counts, strict=True) if k]
    )
    laws: dict[str, float] = {}
    for f, share in zip(fits, chance, strict=True):
        laws[f.law.name] = laws.get(f.law.name, 0.0) + float(share)
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
    return Projection(
        word, reason, limit, place(median), place(low), place(high), crossed, horizon, ranked
    )


@dataclass(frozen=True, slots=True)
class _Law:
    name: str
    shape: Callable[[Floats], Floats]
    prior: float


def _laws() -> tuple[_Law, ...]:
    """Return the laws; the members of a family share its weight."""

    def power(p: float) -> Callable[[Floats], Floats]:
        return lambda t: t**p

    def exponential(k: float) -> Callable[[Floats], Floats]:
        return lambda t: np.expm1(np.minimum(k * t, 50.0))

    def bent(at: float, p: float) -> Callable[[Floats], Floats]:
        return lambda t: np.maximum(t - at, 0.0) ** p

    families: dict[str, list[Callable[[Floats], Floats]]] = {
        "straight": [power(1.0)],
        "quickening": [
            *map(power, (1.25, 1.5, 2.0, 2.5, 3.0)),
            *map(exponential, (0.5, 1, 1.5, 2, 3, 4)),
        ],
        "slowing": [power(0.5), power(0.75), lambda t: np.log1p(5 * t)],
        "begun late": [bent(a / 40, p) for a in range(4, 37) for p in (1.0, 1.5, 2.0)],
        "level": [np.zeros_like],
    }
    return tuple(
        _Law(name, f, 1.0 / len(members)) for name, members in families.items() for f in members
    )


LAWS = _laws()


@dataclass(frozen=True, slots=True)
class _Fit:
    law: _Law
    criterion: float
    centre: Floats
    root: Floats
    """Square root of the covariance of (level, growth), for the noise as fitted."""


def _fit(law: _Law, t: Floats, y: Floats, w: Floats, told: float) -> _Fit:
    n = len(y)
    flat = law.name == "level"
    design = np.ones((n, 1)) if flat else np.column_stack([np.ones(n), law.shape(t)])
    inverse = np.linalg.pinv(design.T @ (design * w[:, None]))
    centre = inverse @ (design.T @ (w * y))
    residual = y - design @ centre
    count = design.shape[1]
    square = float(np.sum(w * residual**2)) + 1e-18
    criterion = told * np.log(square / n) + count * np.log(told)
    covariance = inverse * square / max(n - count, 1) * (n / told)
    value, vector = np.linalg.eigh(covariance)
    root = vector * np.sqrt(np.maximum(value, 0.0))
    return _Fit(law, criterion, centre, root)


def _crossings(
    fit: _Fit, count: int, told: float, grid: Floats, rng: np.random.Generator
) -> Floats:
    """Return drawn crossing times, infinite beyond the grid."""
    freedom = max(told - len(fit.centre), 1.0)
    scale = np.sqrt(freedom / rng.chisquare(freedom, count))
    step = rng.standard_normal((count, len(fit.centre))) @ fit.root.T
    drawn = fit.centre + step * scale[:, None]
    level = drawn[:, 0]
    if fit.law.name == "level":
        return np.where(level >= 0, 0.0, np.inf)
    growth = drawn[:, 1]
    curve = fit.law.shape(grid)
    with np.errstate(divide="ignore", invalid="ignore"):
        needed = -level / growth
    when = np.interp(needed, curve, grid, left=0.0, right=np.inf)
    now = level + growth * float(fit.law.shape(np.ones(1))[0])
    return np.where(growth > 0, when, np.where(now >= 0, 0.0, np.inf))


def _spread(t: Floats, y: Floats) -> float:
    slope = float(np.polyfit(t, y, 1)[0])
    rest = y - slope * t
    return float(np.median(np.abs(rest - np.median(rest)))) / 0.6745


def _fence(t: Floats, y: Floats, spread: float) -> tuple[Floats, Floats]:
    """Bound single wild values by their neighbourhood, not by the whole history."""
    half = 3
    padded = np.pad(y, half, mode="reflect")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
    middle = np.median(windows, axis=1)
    return middle - 4 * spread, middle + 4 * spread
