"""Since when: steps in a history, and the moment at which a rise began.

Steps are found by `ruptures` (kernel change-point detection with a linear
kernel, which is least squares about a mean, solved exactly by PELT: R.
Killick, P. Fearnhead, I. A. Eckley, *J. American Statistical Association* 107
(2012) 1590). A rise without steps is dated by the best bent line (D. V.
Hinkley, *Biometrika* 56 (1969) 495). Which of the two, or neither, is told is
decided by G. Schwarz's criterion, *Annals of Statistics* 6 (1978) 461.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from replay.statistics.spread import winsorized

Floats = npt.NDArray[np.float64]

SMALLEST_PIECE = 5
"""Sessions between two steps, at least."""


@dataclass(frozen=True, slots=True)
class Shape:
    """How a history moved: ``level``, ``line``, ``bend`` or ``steps``."""

    word: str
    since: float | None
    """Time at which the change began; None for a level history."""
    steps: tuple[float, ...] = ()
    """Times of the first values after each step."""
    sizes: tuple[float, ...] = field(default=())
    """Change of level at each step, in the values' unit."""


def shape(times: Floats, values: Floats, *, variance_factor: float = 1.0) -> Shape:
    """Tell which of level, line, bend and steps describes a history best.

    Parameters
    ----------
    times, values : array of shape (n,), in order of time
    variance_factor : float
        How many values say as much as one independent value; a history with
        memory wanders, and must not be cut at each turn.
    """
    n = len(values)
    if n < 2 * SMALLEST_PIECE or np.ptp(times) <= 0:
        return Shape("level", None)
    scale = _noise(values) or float(np.std(values)) or 1.0
    y = np.clip(values, *_fence(values, scale))
    told = n / max(variance_factor, 1.0)

    def criterion(residual: Floats, parameters: int) -> float:
        mean_square = float(np.mean(residual**2)) + (1e-6 * scale) ** 2
        return float(told * np.log(mean_square) + parameters * np.log(max(told, 2.0)))

    found: list[tuple[float, Shape]] = [
        (criterion(y - y.mean(), 1), Shape("level", None)),
    ]
    t = (times - times[0]) / np.ptp(times)
    line = np.polynomial.polynomial.polyfit(t, y, 1)
    found.append((criterion(y - line[0] - line[1] * t, 2), Shape("line", float(times[0]))))
    bend = _best_bend(t, y)
    if bend is not None:
        at, residual = bend
        found.append((criterion(residual, 4), Shape("bend", float(times[0] + at * np.ptp(times)))))
    cuts = _cuts(y, scale, variance_factor)
    if cuts:
        edges = [0, *cuts, n]
        means = [float(np.mean(y[a:b])) for a, b in pairwise(edges)]
        fitted = np.repeat(means, np.diff(edges))
        steps = tuple(float(times[c]) for c in cuts)
        found.append(
            (
                criterion(y - fitted, 1 + 2 * len(cuts)),
                Shape("steps", steps[-1], steps, tuple(np.diff(means).tolist())),
            )
        )
    return min(found, key=lambda pair: pair[0])[1]


def make_ready() -> None:
    """Load the change-point library, which takes most of a second, before it is needed."""
    import ruptures  # noqa: F401


def _cuts(y: Floats, scale: float, variance_factor: float) -> list[int]:
    import ruptures

    n = len(y)
    if n < 2 * SMALLEST_PIECE:
        return []
    signal = (y / scale).reshape(-1, 1)
    penalty = 3.0 * np.log(n) * max(variance_factor, 1.0)
    ends = ruptures.KernelCPD(kernel="linear", min_size=SMALLEST_PIECE).fit_predict(
        signal, pen=penalty
    )
    return [int(end) for end in ends[:-1]]


def _best_bend(t: Floats, y: Floats) -> tuple[float, Floats] | None:
    """Return the best start of a rise after a level, and its residual.

    Starts are tried on a grid between the first and last sixth.
    """
    begins = np.linspace(0.15, 0.85, 29)
    x = np.maximum(t[None, :] - begins[:, None], 0.0)
    use = np.count_nonzero(x, axis=1) >= SMALLEST_PIECE
    if not use.any():
        return None
    begins, x = begins[use], x[use]
    x -= x.mean(axis=1, keepdims=True)
    yc = y - y.mean()
    along, size = x @ yc, np.einsum("bn,bn->b", x, x)
    best = int(np.argmax(along**2 / size))
    return float(begins[best]), yc - x[best] * (along[best] / size[best])


def _noise(values: Floats) -> float:
    """Return the spread from differences of neighbours, blind to slow change.

    Sessions are not equally sure, so the differences have long tails: their
    mean square counts, with the wildest brought in, not their middle.
    """
    steps = np.diff(values)
    tame = winsorized(steps, about_zero=True)
    return float(np.sqrt(np.mean(tame**2) / 2))


def _fence(values: Floats, scale: float) -> tuple[float, float]:
    low, high = np.percentile(values, [5, 95])
    return float(low - 4 * scale), float(high + 4 * scale)
