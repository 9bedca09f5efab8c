"""Two sensors of one motion: the angle against the logged rate.

Where a log has both, the travel that the rate adds up to must be the travel
that the angle shows. An angle that drifts, sticks or jumps away from its rate
is the sensor's doing: no joint moves without having a rate.
"""

from __future__ import annotations

import numpy as np

from replay.models.bins import HELD
from replay.models.trace import Statistic, Trace, rolling_mean

WINDOWS_S = (2.0, 8.0)


def astray(trace: Trace) -> list[Statistic]:
    """Return how far angle and logged rate part within a window, deg."""
    bins = trace.bins
    rows = np.flatnonzero(np.isfinite(bins.astray) & (bins.motion != HELD))
    if rows.size < 3:
        return []
    seconds = trace.seconds[rows]
    speed = bins.astray[rows] / np.maximum(seconds, 1e-6)
    made = []
    for window in WINDOWS_S:
        value = window * rolling_mean(speed, seconds, window)
        made.append(Statistic(f"astray {window:g}s", rows, value, window))
    return made
