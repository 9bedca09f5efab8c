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

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from replay.statistics.mixed_slopes import Known
from replay.wear.assessment.wear_laws import (
    CURVES,
    GRID,
    HORIZON,
    LAWS,
    NOW,
    Fits,
    Floats,
    covariate_columns,
    fitted_laws,
)
from replay.wording import counted

FEWEST = 8
"""Fewer values than this say nothing about a law."""


DRAWS = 1200


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
    known: Known | None = None,
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
    known : Known, optional
        What is known of their effects beforehand.
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
        return Projection(
            "impossible", f"{counted(n, 'session says', 'sessions say')} nothing about a law", limit
        )
    start, now = float(times[0]), float(times[-1])
    t = (times - start) / span
    w = np.ones(n) if weights is None else weights / np.mean(weights)
    if known is not None and conditions is not None:
        values = values - conditions @ known.mean
    # crossing is from below to above zero
    fits = fitted_laws(
        t,
        sign * (values - limit),
        w,
        covariate_columns(n, conditions, sections),
        n / variance_factor,
        None if known is None else known.precision,
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


FAN_TIMES = 32
"""Instants at which the fan is told."""


def _fan(
    fits: Fits, counts: npt.NDArray[np.int64], high: float, tail: float, random_state: int
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


def _drawn(fits: Fits, k: int, count: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Return levels and growths drawn from law ``k``."""
    freedom = fits.freedom[k]
    scale = np.sqrt(fits.variance[k] * freedom / rng.chisquare(freedom, count))
    step = rng.standard_normal(count) * fits.growth_root[k]
    shift = rng.standard_normal(count) * fits.level_root - fits.lean[k] * step
    return fits.level[k] + scale * shift, fits.growth[k] + scale * step


def _crossings(fits: Fits, k: int, count: int, rng: np.random.Generator) -> Floats:
    """Return crossing times drawn from law ``k``, infinite beyond the grid."""
    level, growth = _drawn(fits, k, count, rng)
    with np.errstate(divide="ignore", invalid="ignore"):
        needed = -level / growth
    when = np.interp(needed, CURVES[k], GRID, left=0.0, right=np.inf)
    now = level + growth * NOW[k]
    return np.where(growth > 0, when, np.where(now >= 0, 0.0, np.inf))
