"""Where a joint's samples do not go on from one to the next: gaps, jumps, changes of state."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from replay.statistics.noise import Array, Flags, noise_of, subsampled

GAP_STEPS = 3.5
"""A step longer than this many median steps is a gap."""
FASTEST = 2.0
"""A step of the angle that jumps by more than this times what the rate allows is no travel."""


def gap_starts(t_s: Array) -> Flags:
    """Return True at each sample that comes after a gap, and at the first."""
    out = np.zeros(len(t_s), dtype=bool)
    if len(t_s):
        out[0] = True
    if len(t_s) > 2:
        step = np.diff(t_s)
        out[1:] |= step > GAP_STEPS * np.median(subsampled(step))
    return out


def change_starts(states: NDArray[np.int8]) -> Flags:
    """Return True where a state differs from the one before (-1: unknown)."""
    out = np.zeros(len(states), dtype=bool)
    out[1:] = states[1:] != states[:-1]
    return out


def jump_starts(y: Array, starts: Flags, noise: float) -> Flags:
    """Return True at samples that no motion explains: the encoder jumped.

    A step counts as a jump when it is larger than both its neighbours by more
    than half as much again as the series' largest usual step and 8 times what noise does.
    """
    out = np.zeros(len(y), dtype=bool)
    if len(y) < 8:
        return out
    step = np.diff(y)
    inside = ~starts[1:]
    usual = float(np.quantile(np.abs(subsampled(step[inside])), 0.99)) if inside.any() else 0.0
    before = np.concatenate([step[:1], step[:-1]])
    after = np.concatenate([step[1:], step[-1:]])
    away = np.minimum(np.abs(step - before), np.abs(step - after))
    out[1:] = inside & (away > 1.5 * usual + 8 * np.sqrt(2.0) * noise)
    return out


def jumps_deg(angle_deg: Array, rate_deg_s: Array, t_s: Array) -> Array:
    """Return the steps of an angle's reading that no motion explains, (n,) deg, else 0.

    Each stands at the row to which it leads, NaN where there is no angle.

    Parameters
    ----------
    angle_deg, rate_deg_s : (n,)
        NaN where not known; an unknown rate allows nothing.
    t_s : (n,)
        Seconds, rising.
    """
    known = np.isfinite(angle_deg)
    out = np.full(len(angle_deg), np.nan)
    if not known.any():
        return out
    angle, t, rate = angle_deg[known], t_s[known], np.abs(np.nan_to_num(rate_deg_s[known]))
    starts = gap_starts(t)
    jumped = jump_starts(angle, starts, noise_of(angle, starts, t))
    step, step_s = np.diff(angle, prepend=angle[:1]), np.diff(t, prepend=t[:1])
    jumped &= np.abs(step) > FASTEST * np.maximum(rate, np.roll(rate, 1)) * step_s
    out[known] = np.where(jumped, step, 0.0)
    return out


def unwrapped(angle_deg: Array) -> Array:
    """Return angles without the steps of a whole turn; smaller steps stay."""
    step = np.diff(angle_deg)
    turns = np.where(np.abs(step) > 300.0, np.round(step / 360.0), 0.0)
    if not turns.any():
        return angle_deg
    out = angle_deg.copy()
    out[1:] -= 360.0 * np.cumsum(turns)
    return out
