"""One joint of one piece of a log through the filter: motion, lead, states, fineness."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from replay.models.grid.blocks import Fineness, Grid, JointBlocks
from replay.models.grid.filters import box, integral, lag, second, thrice
from replay.models.grid.resampled import Rows
from replay.models.residuals import BETWEEN, HELD, RESTING, SLIDING, Codes, Floats
from replay.settings import setting
from replay.signals.channels import Channels
from replay.signals.motion.breaks import unwrapped
from replay.statistics.noise import noise_of, resolution
from replay.units import channel

NOISE_ROWS = 40_000
"""Rows from which noise and least steps are read."""


@dataclass(frozen=True, slots=True)
class Carried:
    """Where the last piece's angle and integrated command stood, at its end."""

    index: int
    angle_deg: float
    command_deg: float
    fineness: Fineness | None = None
    anchors: dict[int, list[tuple[int, float]]] = field(default_factory=dict)
    """By kind of word: where (sub-block) a lead began anew, and at what."""


def joint_blocks(
    channels: Channels,
    bring: Rows,
    joint: str,
    grid: Grid,
    times: NDArray[np.int64],
    inside: NDArray[np.int64],
    block_ns: NDArray[np.int64],
    low: int,
    carried: dict[str, Carried],
) -> tuple[JointBlocks, Fineness]:
    """Return one joint of a piece at the blocks' instants, and what its recorder resolves."""
    width, sub_s = grid.width, grid.sub_s
    current = bring.means(channel(joint, "current_a"))
    fine = _fineness(channels, joint, grid, carried.get(joint))
    nothing = np.full(len(current), np.nan)
    step_s = grid.fine_ns / 1e9
    has_angle = channels.has(channel(joint, "angle_deg"))
    if has_angle:
        angle = bring.means(channel(joint, "angle_deg"), unwrap=True) + 0.0
    else:
        speed = bring.numbers(channel(joint, "rate_deg_s"))
        angle = nothing.copy() if speed is None else integral(speed, step_s, grid.each)
    speed_cmd = bring.numbers(channel(joint, "rate_cmd_deg_s"))
    if speed_cmd is not None:
        command = integral(speed_cmd, step_s, grid.each)
    else:
        command = bring.means(channel(joint, "angle_cmd_deg"), unwrap=True) + 0.0
    has_command = bool(np.isfinite(command).any())
    _carry_on(carried, joint, angle, command, low, fine)
    box_angle = box(angle, width)
    rate_box = lag(angle, width, sub_s)
    rate = box(box(rate_box, width), width)
    accel = second(box_angle, width, sub_s)
    rate_cmd = box(box(lag(command, width, sub_s), width), width)
    accel_cmd = second(box(command, width), width, sub_s)
    sub_ns = times[grid.each // 2 :: grid.each]
    word = channels.codes(channel(joint, "brake_engaged"), sub_ns)
    asked = channels.codes(channel(joint, "brake_engage_cmd"), sub_ns)
    leads = [
        thrice(_since_enabled(command - angle, code, carried[joint].anchors, k, low), width)
        for k, code in enumerate((word, asked))
    ]
    if not has_command:
        rate_cmd = accel_cmd = np.full(len(angle), np.nan)
        leads = [rate_cmd, rate_cmd]
    state, free = _states(rate_box, word, asked, (3 * width - 2, 4 * width), fine, inside)
    at = inside
    return (
        JointBlocks(
            current_a=thrice(current, width)[at],
            angle_deg=thrice(angle, width)[at] if has_angle else np.full(len(at), np.nan),
            rate_deg_s=rate[at],
            accel_deg_s2=accel[at],
            rate_cmd_deg_s=rate_cmd[at],
            accel_cmd_deg_s2=accel_cmd[at],
            lead_deg=leads[0][at],
            lead_asked_deg=leads[1][at],
            temperature_c=channels.at(channel(joint, "temperature_c"), block_ns),
            state=state,
            free=free,
            engaged=word[at],
            engage_cmd=asked[at],
        ),
        fine,
    )


def _states(
    rate_box: Floats,
    word: Codes,
    asked: Codes,
    supports: tuple[int, int],
    fine: Fineness,
    at: NDArray[np.int64],
) -> tuple[Codes, Codes]:
    """Return each block's state, and whether it is free, over its filter's whole support.

    Held asks for word and command alike (where both are logged): between the two a
    drive may already push against the brake. And it asks for a box more than the
    support, for currents end a few rows after the word.
    """
    support, wide = supports
    known = np.isfinite(rate_box)
    moving = np.abs(rate_box[known])
    fast = float(np.quantile(moving[:: max(1, len(moving) // 20_000)], 0.98)) if len(moving) else 0
    still = max(5 * fine.rate_noise_deg_s, setting("still_share") * fast, 1e-9)
    support += 1 - support % 2
    wide += 1 - wide % 2
    filled = np.where(known, rate_box, 0.0)
    least = minimum_filter1d(filled, support, mode="nearest")[at]
    most = maximum_filter1d(filled, support, mode="nearest")[at]
    whole = minimum_filter1d(known.astype(np.int8), support, mode="nearest")[at] > 0
    either = np.maximum(word, asked)
    both = np.where(word < 0, asked, np.where(asked < 0, word, np.minimum(word, asked)))
    locked = minimum_filter1d(both, wide, mode="nearest")[at] == 1
    loose = maximum_filter1d(either, support, mode="nearest")[at] <= 0
    state = np.full(len(at), BETWEEN, dtype=np.int8)
    state[whole & loose & ((least > still) | (most < -still))] = SLIDING
    state[whole & loose & (most <= still) & (least >= -still)] = RESTING
    state[locked] = HELD
    return state, (whole & loose).astype(np.int8)


def _fineness(channels: Channels, joint: str, grid: Grid, known: Carried | None) -> Fineness:
    if known is not None and known.fineness is not None:
        return known.fineness
    width, sub_s = grid.width, grid.sub_s

    def of(quantity: str) -> tuple[float, float]:
        found = channels.numbers(channel(joint, quantity))
        y = found.values[:NOISE_ROWS]
        if quantity == "angle_deg":
            y = unwrapped(y)
        if len(y) < 8:
            return 0.0, 0.0
        step = np.diff(found.time_ns[: len(y)])
        starts = np.concatenate([[True], step > 3.5 * np.median(step)])
        return noise_of(y, starts), resolution(y)

    angle_noise, angle_step = of("angle_deg")
    current_noise, current_step = of("current_a")
    mean_noise = angle_noise / np.sqrt(grid.each * width)
    return Fineness(
        angle_noise,
        angle_step,
        current_noise,
        current_step,
        accel_noise_deg_s2=float(np.sqrt(6) * mean_noise / (width * sub_s) ** 2),
        rate_noise_deg_s=float(np.sqrt(2) * angle_noise / np.sqrt(grid.each) / (width * sub_s)),
    )


def _carry_on(
    carried: dict[str, Carried],
    joint: str,
    angle: Floats,
    command: Floats,
    low: int,
    fine: Fineness,
) -> None:
    """Shift a piece's angle and command, in place, onto where the last piece left them."""
    before = carried.get(joint)
    anchors = before.anchors if before is not None else {}
    if before is not None and 0 <= before.index - low < len(angle):
        here = angle[before.index - low]
        if np.isfinite(here) and np.isfinite(before.angle_deg):
            angle += 360.0 * np.round((before.angle_deg - here) / 360.0)
        there = command[before.index - low]
        if np.isfinite(there) and np.isfinite(before.command_deg):
            command += before.command_deg - there
    known = np.flatnonzero(np.isfinite(angle) & np.isfinite(command))
    if not len(known):
        known = np.flatnonzero(np.isfinite(angle))
    if len(known):
        last = int(known[max(0, len(known) - 8)])
        carried[joint] = Carried(
            low + last, float(angle[last]), float(command[last]), fine, anchors
        )
    else:
        carried[joint] = Carried(-1, np.nan, np.nan, fine, anchors)


def _since_enabled(
    lead: Floats, code: Codes, anchors: dict[int, list[tuple[int, float]]], kind: int, low: int
) -> Floats:
    """Return the lead less what it was when the brake last went to released; else NaN."""
    free = code == 0 if (code >= 0).any() else np.ones(len(code), dtype=bool)
    known = np.isfinite(lead)
    start = free & ~np.concatenate([[False], free[:-1]])
    if not (code >= 0).any():
        start |= known & ~np.concatenate([[False], known[:-1]])
    before = [a for a in anchors.get(kind, []) if a[0] <= low]
    if before and len(start) and free[0]:
        start[0] = False
    at = np.flatnonzero(start)
    last = np.searchsorted(at, np.arange(len(lead)), side="right") - 1
    values = np.where(known[at], lead[at], np.nan) if len(at) else np.zeros(0)
    first = before[-1][1] if before else np.nan
    anchor = np.where(last >= 0, np.append(values, first)[last], first)
    gone = np.cumsum(~known)
    lost = gone - np.where(last >= 0, np.append(gone[at], 0)[last], 0)
    out: Floats = np.where(free & (lost == 0), lead - anchor, np.nan)
    anchors[kind] = [*before, *((low + int(k), float(v)) for k, v in zip(at, values, strict=True))]
    return out
