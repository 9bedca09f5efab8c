"""Two sensors of one motion: the angle against the logged rate.

Where a log has both, the travel that the rate adds up to must be the travel
that the angle shows. An angle that drifts or sticks away from its rate is the
sensor's doing: no joint moves without having a rate. What they disagree on is
smoothed by a median over a few seconds, so that rows which a recorder repeats
and a shaking structure, which come back, do not count.
"""

from __future__ import annotations

import numpy as np

from replay.models.bins import HELD, Floats
from replay.models.trace import Statistic, Trace

WINDOW_S = 8.0
SMOOTH_S = 3.0
FEWEST_BINS = 9
"""A recorder may repeat a handful of rows; the median must outlast them."""


def astray(trace: Trace) -> list[Statistic]:
    """Return how far angle and logged rate part within a window, deg."""
    bins = trace.bins
    rows = np.flatnonzero(np.isfinite(bins.astray) & (bins.motion != HELD))
    if rows.size < 2 * FEWEST_BINS:
        return []
    seconds = trace.seconds[rows]
    parted = _smooth(np.cumsum(bins.astray[rows]), float(np.median(seconds)))
    spent = np.cumsum(seconds)
    begin = np.searchsorted(spent, spent - WINDOW_S)
    return [Statistic(f"astray {WINDOW_S:g}s", rows, parted - parted[begin], WINDOW_S)]


def _smooth(values: Floats, step_s: float) -> Floats:
    from scipy.ndimage import median_filter

    size = max(FEWEST_BINS, int(SMOOTH_S / max(step_s, 1e-3)) | 1)
    return np.asarray(median_filter(values, size, mode="nearest"))
