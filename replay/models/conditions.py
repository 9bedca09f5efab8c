"""What a joint's balance depends on, worked out from blocks and loads."""

from __future__ import annotations

import numpy as np

from replay.models.grid.blocks import JointBlocks, SessionBlocks
from replay.models.loading.loads import Loads
from replay.models.residuals import Flags, Floats
from replay.models.units.current import LAGS_S, Conditions
from replay.signals.channels import ENDS

SLOPE_S = 120.0
"""Half the span over which a temperature's change is taken: a sensor's step is half a degree."""
MOST_LEAD_K = 15.0


def conditions(
    blocks: SessionBlocks,
    joint: str,
    loads: Loads,
    payload_kg: Floats,
    fast_deg_s: float,
    reference_c: float,
) -> Conditions:
    """Return the conditions of every block of a joint."""
    mine = blocks.joints[joint]
    heat = lagged(mine.temperature_c, blocks.step_s)
    return Conditions(
        rate=mine.rate_deg_s / fast_deg_s,
        accel=mine.accel_deg_s2,
        torque_nm=loads.bare[joint] + loads.per_kg[joint] * payload_kg,
        heat_k={lag: np.nan_to_num(heat[lag] - reference_c) for lag in heat},
        angle_deg=mine.angle_deg,
        drag_nm=loads.drags(joint, payload_kg),
    )


def lagged(temperature_c: Floats, step_s: float) -> dict[float, Floats]:
    """Return T + L dT/dt for each lag: grease is ahead of the sensor beside it.

    Between two readings a temperature is on the line between them: a recorder that writes
    it on change only has told it all the while.
    """
    known = np.isfinite(temperature_c)
    if not known.any() or len(temperature_c) < 3:
        return dict.fromkeys(LAGS_S, temperature_c)
    index = np.arange(len(temperature_c))
    filled = np.interp(index, index[known], temperature_c[known])
    half = max(1, round(SLOPE_S / step_s))
    sums = np.concatenate([[0.0], np.cumsum(filled)])
    low, high = np.maximum(index - half, 0), np.minimum(index + half, len(filled))
    after = (sums[high] - sums[index]) / np.maximum(high - index, 1)
    before = (sums[index] - sums[low]) / np.maximum(index - low, 1)
    first = index == low
    before = np.where(first, filled, before)
    span = 0.5 * (high - low) * step_s
    slope = (after - before) / np.maximum(span, step_s)
    smooth = (sums[high] - sums[low]) / np.maximum(high - low, 1)
    out = {}
    for lag in LAGS_S:
        lead = np.clip(lag * slope, -MOST_LEAD_K, MOST_LEAD_K)
        out[lag] = smooth + lead
    return out


def base_of(blocks: SessionBlocks) -> str | None:
    """Return the base end that held through most of a session, None where unknown."""
    ends = blocks.base_end[blocks.base_end >= 0]
    return ENDS[int(np.bincount(ends).argmax())] if len(ends) else None


def usable(mine: JointBlocks, at: Conditions) -> Flags:
    """Return the rows on which a balance can be written."""
    return (
        np.isfinite(mine.current_a)
        & np.isfinite(at.rate)
        & np.isfinite(at.accel)
        & np.isfinite(at.torque_nm)
    )
