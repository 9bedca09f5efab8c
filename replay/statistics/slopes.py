"""A slope with its interval, and how much more sessions differ than their errors say."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from replay.statistics.spread import winsorized

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Slope:
    """A slope with its interval; ``p_value`` tests for slope zero, two-sided."""

    slope: float
    low: float
    high: float
    p_value: float


def between_variance(residual: Floats, se: Floats) -> float:
    """Return the variance between sessions that the standard errors leave over.

    Paule and Mandel's equation: the weighted mean square of the residual about
    its level is 1. Source: R. C. Paule and J. Mandel, *J. Research of the
    National Bureau of Standards* 87 (1982) 377-385.
    """
    n = len(residual)
    if n < 3:
        return 0.0
    e, own = winsorized(residual), se * se

    # Newton's steps from below never pass the root and one from above passes it once, for the
    # equation is convex: it is begun where values of one error each would have it.
    tau2 = max(float(np.var(e)) - float(np.mean(own)), 0.0)
    for _ in range(50):
        w = 1.0 / np.maximum(own + tau2, 1e-300)
        total = w.sum()
        square = (e - (w @ e) / total) ** 2
        excess = float(w @ square) - (n - 2)
        if abs(excess) <= 1e-9 * n or (excess < 0 and not tau2 > 0):
            break
        tau2 = max(tau2 + excess / float((w * w) @ square), 0.0)
    return tau2
