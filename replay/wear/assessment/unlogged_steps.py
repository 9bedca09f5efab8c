"""Steps that no maintenance note explains, each dated with an interval.

A relubrication drops friction between two sessions. If nobody noted it, the
trend before it and the drop cancel and the history reads as steady. A step is
sought beside a course that may bend, so that neither a season's remains nor
wear that speeds up is taken for one: the step at which the squares fall most,
against the critical values of such a search (D. W. K. Andrews, *Econometrica*
61 (1993) 821-856). It is dated by the likelihood of its place: the interval
holds every place whose squares are not much worse (D. V. Hinkley, *Biometrika*
57 (1970) 1-17).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from replay.statistics.regression import least_squares
from replay.statistics.spread import spread_about_zero

Floats = npt.NDArray[np.float64]

SMALLEST_PIECE = 5
"""Sessions before and after a step, at least."""

LEAST_SESSIONS = 20

CERTAIN = 18.0
"""Fall of the squares, in variances, from which a step is told. Andrews' 1 %
value for one break anywhere is near 13 (from memory); histories also have
memory and seasons, so more is asked: 5 of 480 invented histories without a step
were asked about, all of them with wear that bends (`tests/benchmarks/wear.py`)."""

CLEARER = 6.0
"""By how much more, in variances, a step must explain than the best beginning
of a rise, which has as many unknowns: twice the log of the odds, "strong" (R.
E. Kass, A. E. Raftery, *J. American Statistical Association* 90 (1995) 773)."""

PLACES = 2.71
"""Chi-square of one degree at 90 %: how much worse a place may be and still be
in the interval."""

MOST = 3


@dataclass(frozen=True, slots=True)
class Step:
    """A change of level between two neighbouring values."""

    at: int
    """Index of the first value after it."""
    first: int
    last: int
    """The step lies after value ``first`` and not after value ``last``, at 90 %."""
    size: float
    """Change of level, in the values' unit."""
    certainty: float
    """Fall of the squares, in variances."""


def unlogged_steps(
    times: Floats, values: Floats, *, variance_factor: float = 1.0
) -> tuple[Step, ...]:
    """Return the steps of a history, in order of time.

    Parameters
    ----------
    times, values : array of shape (n,), in order of time
        Known works already taken away.
    variance_factor : float
        How many values say as much as one independent value.
    """
    n = len(values)
    if n < LEAST_SESSIONS or np.ptp(times) <= 0:
        return ()
    t = (times - times.mean()) / np.ptp(times)
    base = np.column_stack([np.ones(n), t, t * t])
    found: list[int] = []
    falls: list[Floats] = []
    for _ in range(MOST):
        fall, bend = _falls(base, values, found, t)
        fall, bend = fall / max(variance_factor, 1.0), bend / max(variance_factor, 1.0)
        k = int(np.argmax(fall))
        if not (fall[k] >= CERTAIN and fall[k] - bend >= CLEARER):
            break
        found.append(k)
        falls.append(fall)
    if not found:
        return ()
    sizes = _sizes(base, values, found)
    made = []
    for k, fall, size in zip(found, falls, sizes, strict=True):
        likely = np.flatnonzero(fall >= fall[k] - PLACES)
        made.append(Step(k, int(likely[0]) - 1, int(likely[-1]), float(size), float(fall[k])))
    return tuple(sorted(made, key=lambda step: step.at))


def _after(n: int, places: list[int]) -> Floats:
    return (np.arange(n)[:, None] >= np.array(places, dtype=int)[None, :]).astype(float)


def _sizes(base: Floats, values: Floats, places: list[int]) -> Floats:
    design = np.column_stack([base, _after(len(values), places)])
    fitted = least_squares(design, values)
    return fitted[base.shape[1] :]


def _falls(base: Floats, values: Floats, known: list[int], t: Floats) -> tuple[Floats, float]:
    """Return by how much a step at each place lessens the squares, in variances.

    Sessions far off are brought in first: one wild session is no step. Beside it,
    what the best rise that begins somewhere in the history does.
    """
    n = len(values)
    design = np.column_stack([base, _after(n, known)]) if known else base
    q, _ = np.linalg.qr(design)
    rest = values - q @ (q.T @ values)
    scale = min(spread_about_zero(rest), _between_neighbours(values))
    if not scale > 0:
        return np.zeros(n), 0.0
    fitted = values - rest
    tame = fitted + np.clip(rest, -4 * scale, 4 * scale)
    rest = tame - q @ (q.T @ tame)
    # sums over the values from each place on, of the residual and of the columns
    tail = np.cumsum(rest[::-1])[::-1]
    columns = np.cumsum(q[::-1], axis=0)[::-1]
    length = np.arange(n, 0, -1) - (columns**2).sum(axis=1)
    fall = np.zeros(n)
    inside = np.arange(SMALLEST_PIECE, n - SMALLEST_PIECE + 1)
    inside = inside[length[inside] > 1e-9]
    gain = tail[inside] ** 2 / length[inside]
    best = float(gain.max(initial=0.0))
    # the variance is that beside the step, not that which the step itself makes
    variance = max((float(rest @ rest) - best) / max(n - design.shape[1] - 2, 1), 1e-300)
    fall[inside] = gain / variance
    for k in known:
        fall[max(k - SMALLEST_PIECE, 0) : k + SMALLEST_PIECE] = 0.0
    return fall, _best_bend(q, rest, t) / variance


def _best_bend(q: Floats, rest: Floats, t: Floats) -> float:
    """Return by how much the best beginning of a rise lessens the squares."""
    begins = np.linspace(0.1, 0.9, 33) * np.ptp(t) + t[0]
    hinges = np.maximum(t[:, None] - begins[None, :], 0.0)
    hinges = hinges - q @ (q.T @ hinges)
    length = np.maximum((hinges**2).sum(axis=0), 1e-12)
    return float(((rest @ hinges) ** 2 / length).max())


def _between_neighbours(values: Floats) -> float:
    """Return the spread of the differences of neighbours: blind to steps, few as they are."""
    return spread_about_zero(np.diff(values)) / 2**0.5
