"""One joint of one session beside what was expected of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from replay.models.bins import MOVING, Bins, Floats, Ints
from replay.models.expected import ExpectedCurrent


@dataclass(slots=True)
class Trace:
    """Bins with expectation; all arrays have one entry a bin."""

    bins: Bins
    expected: Floats
    sd: Floats
    seen: npt.NDArray[np.bool_]
    seconds: Floats

    @property
    def rest(self) -> Floats:
        """Measured less expected current, A."""
        return self.bins.current - self.expected

    @property
    def z(self) -> Floats:
        """The same in expected spreads."""
        return self.rest / self.sd

    @property
    def side(self) -> Floats:
        """Direction of motion, so that ``side * rest`` is drag."""
        return np.sign(np.where(self.bins.direction != 0, self.bins.direction, self.bins.rate))


@dataclass(slots=True)
class Statistic:
    """One detector's value along a trace.

    ``rows`` are bin numbers; a value speaks of the window that ends there.
    """

    name: str
    rows: Ints
    value: Floats
    window_s: float


def make_trace(bins: Bins, model: ExpectedCurrent) -> Trace:
    """Lay the expectation beside the bins."""
    expected, sd, seen = model.predict(bins)
    if np.isnan(bins.load).all():  # no arm file: what posture asks stands for the load
        given = model.posture_current(bins)
        if given.any():
            bins = replace(bins, load=given)
    return Trace(bins, expected, sd, seen & np.isfinite(bins.current), bins.seconds)


def settling_s(bins: Bins, most: float) -> float:
    """Return how far from its start and end a motion counts as settled, s.

    ``most`` in general; where motions are short, as in a work cycle, as much as
    leaves half of their time.
    """
    inside = bins.settled[bins.motion == MOVING]
    return min(most, float(np.median(inside))) if inside.size else most


def rolling_mean(value: Floats, weight: Floats, window: float) -> Floats:
    """Weighted mean over the window that ends at each entry; NaN until full.

    Parameters
    ----------
    value, weight : array, shape (n,)
        The window is measured in units of summed weight.
    window : float
        Its length; infinite gives the mean of everything, at the last entry.
    """
    if not value.size:
        return value.copy()
    total = np.concatenate(([0.0], np.cumsum(value * weight)))
    length = np.concatenate(([0.0], np.cumsum(weight)))
    if np.isinf(window):
        out = np.full(value.size, np.nan)
        out[-1] = total[-1] / max(length[-1], 1e-12)
        return out
    left = np.searchsorted(length, length[1:] - window * (1 + 1e-9), side="left")
    span = length[1:] - length[left]
    mean = (total[1:] - total[left]) / np.maximum(span, 1e-12)
    return np.where(length[1:] >= 0.95 * window, mean, np.nan)
