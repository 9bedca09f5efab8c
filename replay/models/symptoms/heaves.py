"""A joint that runs in heaves: far slower, then far faster than a command that stands.

A healthy servo under a standing command does neither; a joint that sticks and
slips does both in turn, whether or not it comes to a full stop between.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from replay.models.bins import HELD, Floats, Ints
from replay.models.symptoms.pushes import cruising
from replay.models.trace import Statistic, Trace, rolling_mean

DIPS, RISES = 0.5, 1.25
"""Speeds below and above these shares of the standing command."""

NOISES = 4.0
"""So many spreads of the rate at rest a dip must be deep."""

WINDOW_S = 3.0


@dataclass(slots=True)
class Heaves:
    """Bins under a standing command, and what the speed does there."""

    rows: Ints
    many: Floats
    """Changes between dip and rise over the last `WINDOW_S`, per 6 s."""
    low: Floats
    """Lowest speed inside the bin, as a share of the command."""
    high: Floats


def heaves(trace: Trace) -> Heaves:
    """Count changes from far below to far above the standing command, and back."""
    bins = trace.bins
    rows = np.flatnonzero(cruising(trace) & (bins.motion != HELD))
    still = bins.rate_sd[(bins.motion == HELD) & np.isfinite(bins.rate_sd)]
    noise = float(np.median(still)) if still.size else 0.0
    rows = rows[(1.0 - DIPS) * np.abs(bins.rate_cmd[rows]) > NOISES * noise]
    if rows.size < 3:
        nothing = np.empty(0)
        return Heaves(np.empty(0, dtype=np.int64), nothing, nothing, nothing)
    asked = bins.rate_cmd[rows]
    one, other = bins.rate_min[rows] / asked, bins.rate_max[rows] / asked
    low, high = np.minimum(one, other), np.maximum(one, other)
    side = np.where(low < DIPS, -1, np.where(high > RISES, 1, 0))
    last = np.maximum.accumulate(np.where(side != 0, np.arange(side.size), 0))
    state = side[last]
    changed = np.zeros(rows.size)
    changed[1:] = (state[1:] != state[:-1]) & (state[:-1] != 0)
    changed[1:] += (low[1:] < DIPS) & (high[1:] > RISES)  # a bin of a fast log has both
    seconds = trace.seconds[rows]
    each = rolling_mean(changed / np.maximum(seconds, 1e-3), seconds, WINDOW_S)
    return Heaves(rows, 6.0 * np.nan_to_num(each), low, high)


def heaving(trace: Trace) -> list[Statistic]:
    """Return how often the speed swings about its standing command, per 6 s."""
    found = heaves(trace)
    if not found.rows.size:
        return []
    return [Statistic(f"heave {WINDOW_S:g}s", found.rows, found.many, WINDOW_S)]
