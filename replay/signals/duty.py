"""What a joint unit was put through: travel, reversals, starts, hours, work, time near limits."""

from __future__ import annotations

import numpy as np
import polars as pl

from replay.arm import Joint
from replay.signals.brakes.chatter import cycle_count
from replay.signals.joint_signals import JointSignals, signals_of
from replay.signals.motion import breaks

NEAR_ANGLE_SHARE = 0.02
NEAR_RATE = 0.95
NEAR_CURRENT = 0.9
"""Near a limit: within 2 % of the range from an end of it, above 95 % of the
rate limit, above 90 % of the current limit."""

DUTY_SCHEMA: dict[str, pl.DataType] = {
    "logged_s": pl.Float64(),  # time between samples, gaps left out
    "gap_s": pl.Float64(),  # time in gaps, in which anything may have happened
    "travel_deg": pl.Float64(),
    "moving_s": pl.Float64(),
    "starts": pl.Int64(),
    "reversals": pl.Int64(),
    "brake_cycles": pl.Int64(),  # null without any word of the brake
    "current_time_a_s": pl.Float64(),  # integral of |i|
    "current_square_a2_s": pl.Float64(),  # integral of i squared
    "near_angle_limit_s": pl.Float64(),  # null where the arm file has no such limit
    "near_rate_limit_s": pl.Float64(),
    "near_current_limit_s": pl.Float64(),
}
"""Columns of `duty`."""


def duty(table: pl.DataFrame | JointSignals, joint: Joint | None = None) -> pl.DataFrame:
    """Return one row: what one session asked of one joint; columns of `DUTY_SCHEMA`.

    Parameters
    ----------
    table : DataFrame
        A joint table.
    joint : Joint, optional
        Its limits; without them the times near limits are null.

    Notes
    -----
    Sums run over the time between neighbouring samples; a gap (more than 3.5
    median steps) counts in ``gap_s`` only. Travel is the sum of |rate| dt while
    moving, so that encoder noise at rest does not travel.
    """
    a = signals_of(table)
    step = np.diff(a.t_s, append=a.t_s[-1:])
    gap = np.append(breaks.gap_starts(a.t_s)[1:], True) if len(a.t_s) else np.zeros(0, bool)
    step_seen = np.where(gap, 0.0, step)
    moving = a.moving
    if not np.isfinite(a.rate_deg_s).any():
        moving = np.zeros(len(a.t_s), dtype=bool)
    rate = np.abs(np.nan_to_num(a.rate_deg_s))
    current = np.nan_to_num(a.current_a)
    new_move = moving & ~np.concatenate([[False], moving[:-1]])
    braked = (a.brake_engaged >= 0).any() or (a.brake_engage_cmd >= 0).any()

    def near(flags: np.ndarray | None) -> float | None:
        return None if flags is None else float(np.sum(step_seen[flags]))

    near_angle = near_rate = near_current = None
    if joint is not None:
        if joint.angle_range_deg is not None and np.isfinite(a.angle_deg).any():
            low, high = joint.angle_range_deg
            edge = NEAR_ANGLE_SHARE * (high - low)
            near_angle = (a.angle_deg < low + edge) | (a.angle_deg > high - edge)
        if joint.rate_limit_deg_s is not None:
            near_rate = rate > NEAR_RATE * joint.rate_limit_deg_s
        if joint.current_limit_a is not None:
            near_current = np.abs(current) > NEAR_CURRENT * joint.current_limit_a
    row = {
        "logged_s": float(step_seen.sum()),
        "gap_s": float(step[gap].sum()),
        "travel_deg": float(np.sum(rate[moving] * step_seen[moving])),
        "moving_s": float(step_seen[moving].sum()),
        "starts": int(new_move.sum()),
        "reversals": _reversals(a.direction, moving),
        "brake_cycles": cycle_count(a) if braked else None,
        "current_time_a_s": float(np.sum(np.abs(current) * step_seen)),
        "current_square_a2_s": float(np.sum(current**2 * step_seen)),
        "near_angle_limit_s": near(near_angle),
        "near_rate_limit_s": near(near_rate),
        "near_current_limit_s": near(near_current),
    }
    return pl.DataFrame({k: [v] for k, v in row.items()}, schema=DUTY_SCHEMA)


def _reversals(direction: np.ndarray, moving: np.ndarray) -> int:
    """Count moves that go the other way than the move before, stops in between or not."""
    ways = direction[moving & (direction != 0)]
    return int(np.count_nonzero(np.diff(ways)))
