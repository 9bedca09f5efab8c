"""Levels of a history's sections beside its curve."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from replay.statistics.regression import huber
from replay.wear.histories.aggregation import numbers_of
from replay.wear.histories.history import Floats


def offsets(t: Floats, y: Floats, sections: npt.NDArray[np.int64], slope: float) -> Floats:
    """Return the level of each session's section under a slope."""
    out = np.empty(len(y))
    for number in numbers_of(sections):
        own = sections == number
        out[own] = np.median(y[own] - slope * t[own])
    return out


def latest_level(t: Floats, y: Floats, sections: npt.NDArray[np.int64], slope: float) -> float:
    """Return the level of the last few sessions, moved along the slope to the last."""
    recent = np.flatnonzero(sections == sections[-1])[-9:]
    return float(np.median(y[recent] + slope * (t[-1] - t[recent])))


def about_curve(t: Floats, y: Floats, sections: npt.NDArray[np.int64]) -> Floats:
    """Return what a parabola with own levels leaves, clipped fit for robustness."""
    span = float(np.ptp(t)) or 1.0
    x = (t - t.mean()) / span
    levels = [(sections == s).astype(float) for s in numbers_of(sections)]
    design = np.column_stack([*levels, x, x * x])
    return huber(design, y, rounds=6, settled=0.0).residuals
