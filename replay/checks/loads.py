"""How an event goes with the load and with the payload aboard."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from replay.models.bins import MOVING
from replay.models.trace import Trace

Mask = npt.NDArray[np.bool_]

FEW_BINS = 20
MOST_Z = 15.0

CHANCE = 10.0
"""What chance alone lets an explanation take away, in squared spreads."""


def grasp(trace: Trace, inside: Mask) -> float:
    """Return the motion that event and payload share, over the motion of either."""
    bins = trace.bins
    turning = bins.motion == MOVING
    aboard = turning & (np.nan_to_num(bins.payload) > 0)
    if not aboard.any() or aboard.sum() > 0.95 * turning.sum():
        return 0.0  # aboard throughout: nothing comes and goes with it
    event = turning & inside
    both = float(trace.seconds[aboard & event].sum())
    return both / max(float(trace.seconds[aboard | event].sum()), 1e-9)


def load_slopes(trace: Trace) -> tuple[float, float]:
    """Return the remainder's slope on the load with the payload aboard, and without.

    In amperes at the load that is typical of the session (root mean square).
    """
    bins = trace.bins
    rows = trace.seen & (bins.motion == MOVING) & np.isfinite(trace.z)
    cause = np.nan_to_num(bins.load if np.nan_to_num(bins.load).any() else bins.accel)
    size = float(np.sqrt(np.mean(cause[rows] ** 2))) if rows.any() else 0.0
    aboard = np.nan_to_num(bins.payload) > 0
    if size <= 0:
        return float("nan"), float("nan")
    made = []
    for part in (rows & aboard, rows & ~aboard):
        weight = np.minimum(trace.seconds[part], 1.0) / trace.sd[part] ** 2
        energy = float(np.sum(weight * cause[part] ** 2))
        few = part.sum() < FEW_BINS or energy <= 0
        slope = np.nan if few else float(np.sum(weight * cause[part] * trace.rest[part])) / energy
        made.append(slope * size)
    return made[0], made[1]


def load_fits(trace: Trace, event: Mask) -> float:
    """Return how much of an event follows the load as the session does outside it."""
    bins = trace.bins
    cause = np.nan_to_num(bins.load)
    outside = trace.seen & (bins.motion == MOVING) & ~event & np.isfinite(trace.z)
    event = event & (trace.sd > 0)
    weight = np.minimum(trace.seconds, 1.0) / np.maximum(trace.sd, 1e-9) ** 2
    rest = np.clip(trace.rest, -MOST_Z * trace.sd, MOST_Z * trace.sd)
    energy = float(np.sum(weight[outside] * cause[outside] ** 2))
    if outside.sum() < FEW_BINS or energy <= 0 or not event.any():
        return 0.0
    slope = float(np.sum(weight[outside] * cause[outside] * rest[outside])) / energy
    if slope * slope * energy < CHANCE:
        return 0.0
    whole = float(np.sum(weight[event] * rest[event] ** 2))
    left = float(np.sum(weight[event] * (rest[event] - slope * cause[event]) ** 2))
    return max(1.0 - left / max(whole, 1e-12), 0.0)
