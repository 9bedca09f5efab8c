"""Sensors and the recorder: silence, frozen values, steps that no joint makes.

These run first. A span in which a channel did not speak the truth is kept
away from the other detectors, so that a bad sensor is not called a bad joint.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from replay.models.bins import Floats, Ints
from replay.models.symptoms.marks import Mark, flat_runs, runs

SHORTEST_GAP_S = 1.0
SHORTEST_FREEZE_S = 0.8
LOOSE = 5
"""A silence or freeze counts from this many sample periods on."""

OFTEN, MOSTLY = 6, 0.3
"""A channel silent more often, or for a larger share, is so by its nature."""

MOST_REPEATS = 8
"""Longer than this a channel is frozen."""

CHANNELS = {
    "current_a": "current",
    "angle_deg": "angle",
    "temperature_c": "temperature",
    "rate_cmd_deg_s": "commanded rate",
}
"""A brake state is null too where its word has no meaning in the map; the
session's quality record says so, once, and that is no gap."""


def telemetry_marks(table: pl.DataFrame) -> list[Mark]:
    """Return every silence, freeze and impossible step of one joint."""
    time = table["t_s"].to_numpy()
    if time.size < 6:
        return []
    period = float(np.median(np.diff(time[: min(time.size, 20000)])))
    made = _gaps(table, time, period)
    made += _frozen(table, time, period)
    made += _angle_steps(table, time)
    made += _spikes(table, time)
    return made


def _gaps(table: pl.DataFrame, time: Floats, period: float) -> list[Mark]:
    least = max(SHORTEST_GAP_S, LOOSE * period)
    made = [
        Mark(
            "silence",
            float(time[row]),
            float(time[row + 1]),
            float(time[row + 1] - time[row]),
            {"channel": "every channel"},
        )
        for row in np.flatnonzero(np.diff(time) >= least)
    ]
    for column, word in CHANNELS.items():
        lost = table[column].is_null()
        if not 0 < lost.sum() < lost.len():
            continue
        first, last = runs(lost.to_numpy())
        length = time[last] - time[first] + period
        if (length >= least).sum() > OFTEN or lost.sum() > MOSTLY * lost.len():
            continue  # recorded when it changes, or slowly: silence says nothing
        for a, b, s in zip(first, last, length, strict=True):
            if s >= least:
                made.append(
                    Mark(
                        "lost channel", float(time[a]), float(time[b]), float(s), {"channel": word}
                    )
                )
    return made


def _frozen(table: pl.DataFrame, time: Floats, period: float) -> list[Mark]:
    """Exactly equal values where this channel usually changes at every sample."""
    least = max(SHORTEST_FREEZE_S, LOOSE * period)
    made = []
    current = table["current_a"].to_numpy()
    rate = table["rate_deg_s"].to_numpy()
    wanted = table["rate_cmd_deg_s"].to_numpy()
    angle = table["angle_deg"].to_numpy()
    moving = (table["motion"] == "moving").fill_null(False).to_numpy()
    lively = float(np.mean(np.diff(current[moving]) != 0)) if moving.sum() > 50 else 0.0
    still = np.diff(current[~moving]) if (~moving).sum() > 50 else np.empty(0)
    lively_still = float(np.mean(still != 0)) if still.size else 0.0
    usable = np.isfinite(current)
    if max(lively, lively_still) > 0.3:
        first, last = _long(time, *flat_runs(current, usable), least)
        for a, b in zip(first, last, strict=True):
            length = float(time[b] - time[a])
            own = lively if moving[a : b + 1].mean() > 0.5 else lively_still
            if length >= least and own > 0.3:
                made.append(
                    Mark(
                        "current frozen",
                        float(time[a]),
                        float(time[b]),
                        length,
                        {
                            "level_a": float(current[a]),
                            "samples": int(b - a + 1),
                            "moving": bool(moving[a : b + 1].mean() > 0.5),
                            "repeats": float(-(b - a) * np.log(max(1 - own, 1e-3))),
                        },
                    )
                )
    speed = np.abs(wanted[np.isfinite(wanted)])
    quick = 0.15 * float(np.quantile(speed, 0.98)) if speed.size else float("inf")
    logged = table["rate_se_deg_s"].null_count() == table.height
    asked = np.abs(np.nan_to_num(wanted)) > max(quick, 1e-9)
    if logged:
        fast = np.abs(rate[np.isfinite(rate)])
        floor = 0.15 * float(np.quantile(fast, 0.98)) if fast.size else float("inf")
        asked |= np.abs(np.nan_to_num(rate)) > max(floor, 1e-9)
    first, last = _long(time, *flat_runs(angle, np.isfinite(angle)), least)
    for a, b in zip(first, last, strict=True):
        length = float(time[b] - time[a])
        if length < least or not asked[a : b + 1].any():
            continue
        share = float(asked[a : b + 1].mean())
        if share * length < least:
            continue
        expected = np.nan_to_num(rate if logged else wanted)[a : b + 1]
        made.append(
            Mark(
                "angle frozen",
                float(time[a]),
                float(time[b]),
                share * length,
                {
                    "level_deg": float(angle[a]),
                    "expected_travel_deg": float(np.sum(expected) * period),
                    "current_a": float(np.nanmedian(np.abs(current[a : b + 1][asked[a : b + 1]]))),
                },
            )
        )
    return made


def _long(time: Floats, first: Ints, last: Ints, least: float) -> tuple[Ints, Ints]:
    """Keep the runs that last at least this many seconds and are no hole in the log."""
    length = time[last] - time[first]
    kept = length >= least
    if kept.any():
        kept &= (last - first) * float(np.median(np.diff(time))) > 0.5 * length
    return first[kept], last[kept]


def _angle_steps(table: pl.DataFrame, time: Floats) -> list[Mark]:
    """Isolated steps of the angle: not shared by the step before and after."""
    angle = table["angle_deg"].to_numpy()
    if np.isfinite(angle).sum() < 10:
        return []
    step = np.diff(angle)
    gap = np.diff(time)
    rate = step / np.maximum(gap, 1e-9)
    # what the neighbours say this step should have been
    before = np.abs(step[1:-1] - rate[:-2] * gap[1:-1])
    after = np.abs(step[1:-1] - rate[2:] * gap[1:-1])
    odd = np.fmin(before, after)
    regular = gap[1:-1] < 3 * np.median(gap)
    odd = np.where(regular & np.isfinite(odd), odd, 0.0)
    usual = float(np.median(odd[odd > 0])) if (odd > 0).any() else 0.0
    limit = max(8 * usual, 0.05)
    top = float(np.quantile(np.abs(rate[np.isfinite(rate)]), 0.995))
    rank = odd.size - 1 - max(odd.size // 200, min(2, odd.size - 1))
    noise = float(np.partition(odd, rank)[rank])
    made = []
    for row in np.flatnonzero(odd > limit):
        at = row + 1
        odd[row] = min(odd[row], _beyond_repeats(angle, time, rate, int(at)))
        if odd[row] <= limit:
            continue
        made.append(
            Mark(
                "angle step",
                float(time[at]),
                float(time[at + 1]),
                float(odd[row]),
                {
                    "step_deg": float(step[at]),
                    "to_deg": float(angle[at + 1]),
                    "noise_deg": noise,
                    "faster": float(np.abs(rate[at]) / max(top, 1e-9)),
                },
            )
        )
    return sorted(made, key=lambda m: -m.value)[:200]


def _beyond_repeats(angle: Floats, time: Floats, rate: Floats, at: int) -> float:
    """Return how far a step exceeds the motion missed while a recorder repeated itself, deg.

    After a few equal values the next step has their motion to catch up with.
    """
    first = at
    while first > 0 and at - first < MOST_REPEATS and angle[first - 1] == angle[at]:
        first -= 1
    if first == at:
        return float("inf")
    passed = time[at + 1] - time[first]
    step = angle[at + 1] - angle[at]
    around = [rate[k] for k in (first - 1, at + 1) if 0 <= k < rate.size]
    over = [abs(step - speed * passed) for speed in around if np.isfinite(speed)]
    return float(min(over, default=np.inf))


def _spikes(table: pl.DataFrame, time: Floats) -> list[Mark]:
    """Single samples of current far from both neighbours, which agree."""
    current = table["current_a"].to_numpy()
    if np.isfinite(current).sum() < 10:
        return []
    before = current[1:-1] - current[:-2]
    after = current[1:-1] - current[2:]
    odd = np.where(np.sign(before) == np.sign(after), np.fmin(np.abs(before), np.abs(after)), 0.0)
    odd = np.nan_to_num(odd)
    if not (odd > 0).any():
        return []
    limit = max(12 * float(np.median(odd[odd > 0])), 1e-9)
    rows = np.flatnonzero(odd > limit)
    if rows.size > 400:  # not rare here: no spike detector for such a log
        return []
    return [
        Mark(
            "spike",
            float(time[r + 1]),
            float(time[r + 1]),
            float(odd[r]),
            {"current_a": float(current[r + 1])},
        )
        for r in rows
    ]
