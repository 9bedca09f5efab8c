"""Sensors and the recorder: silence, frozen values, steps that no joint makes.

These run first. A span in which a channel did not speak the truth is kept
away from the other detectors, so that a bad sensor is not called a bad joint.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.models.bins import MOVING, Floats, Ints
from replay.models.symptoms.marks import Mark, flat_runs, runs
from replay.signals.columns import JointColumns, columns_of
from replay.statistics.noise import subsampled

SHORTEST_GAP_S = 1.0
SHORTEST_FREEZE_S = 0.8
LOOSE = 5
"""A silence or freeze counts from this many sample periods on."""

OFTEN, MOSTLY = 6, 0.3
"""A channel silent more often, or for a larger share, is so by its nature."""

STEPS = 4.0
"""Motion of fewer of the angle's smallest steps may leave it where it is."""

MOST_REPEATS = 8
"""Longer than this a channel is frozen."""

FEW_ROWS = 50

TURNS_ROWS = 3
"""So many samples before and after a start, stop or turn have a peak of friction's own."""

CHANNELS = {
    "current_a": "current",
    "angle_deg": "angle",
    "temperature_c": "temperature",
    "rate_cmd_deg_s": "commanded rate",
}
"""A brake state is null too where its word has no meaning in the map; the
session's quality record says so, once, and that is no gap."""


def telemetry_marks(table: pl.DataFrame | JointColumns) -> list[Mark]:
    """Return every silence, freeze and impossible step of one joint."""
    columns = columns_of(table)
    time = columns.t_s
    if time.size < 6:
        return []
    period = float(np.median(np.diff(time[: min(time.size, 20000)])))
    made = _gaps(columns, time, period)
    made += _frozen(columns, time, period)
    made += _angle_steps(columns.angle_deg, time)
    made += _spikes(columns)
    return made


def _gaps(columns: JointColumns, time: Floats, period: float) -> list[Mark]:
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
        lost = np.isnan(getattr(columns, column))
        many = int(np.count_nonzero(lost))
        if not 0 < many < lost.size:
            continue
        first, last = runs(lost)
        length = time[last] - time[first] + period
        if (length >= least).sum() > OFTEN or many > MOSTLY * lost.size:
            continue  # recorded when it changes, or slowly: silence says nothing
        for a, b, s in zip(first, last, length, strict=True):
            if s >= least:
                made.append(
                    Mark(
                        "lost channel", float(time[a]), float(time[b]), float(s), {"channel": word}
                    )
                )
    return made


def _frozen(columns: JointColumns, time: Floats, period: float) -> list[Mark]:
    """Exactly equal values where this channel usually changes at every sample."""
    least = max(SHORTEST_FREEZE_S, LOOSE * period)
    made = []
    current, angle = columns.current_a, columns.angle_deg
    rate, wanted = columns.rate_deg_s, columns.rate_cmd_deg_s
    moving = columns.motion == MOVING
    usable = np.isfinite(current)
    new = current[1:] != current[:-1]
    lively = _share(new, moving[1:] & moving[:-1])
    lively_still = _share(new, ~(moving[1:] | moving[:-1]))
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
    logged = columns.rate_is_logged
    asked = _fast(wanted, np.abs(wanted) > 0)
    if logged:
        asked |= _fast(rate, moving)
    seen_apart = STEPS * _resolution(angle)
    first, last = _long(time, *flat_runs(angle, np.isfinite(angle)), least)
    for a, b in zip(first, last, strict=True):
        length = float(time[b] - time[a])
        if length < least or not asked[a : b + 1].any():
            continue
        share = float(asked[a : b + 1].mean())
        if share * length < least:
            continue
        expected = np.nan_to_num(rate if logged else wanted)[a : b + 1]
        if float(np.ptp(np.cumsum(expected))) * period < seen_apart:
            continue  # what was due is less than the sensor tells apart
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
        kept &= (last - first) * float(np.median(subsampled(np.diff(time)))) > 0.5 * length
    return first[kept], last[kept]


def _share(found: npt.NDArray[np.bool_], among: npt.NDArray[np.bool_]) -> float:
    """Return the share of True among the rows picked; 0 where they are too few to tell."""
    total = int(np.count_nonzero(among))
    return float(np.count_nonzero(found & among)) / total if total > FEW_ROWS else 0.0


def _fast(rate: Floats, running: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Tell where a rate is a good part of its usual top while ``running``.

    A joint parked for most of the session has no top but its noise outside.
    """
    speed = np.abs(rate)
    some = subsampled(speed[running])
    some = some[np.isfinite(some)]
    if some.size < 3:
        return np.zeros(rate.size, dtype=bool)
    return np.asarray(speed > max(0.15 * float(np.quantile(some, 0.98)), 1e-9))


def _resolution(angle: Floats) -> float:
    """Return the smallest step that the angle shows, deg; 0 when it never changes."""
    step = np.abs(subsampled(np.diff(angle)))
    step = step[step > 0]  # NaN is not
    return float(np.quantile(step, 0.02)) if step.size else 0.0


def _angle_steps(angle: Floats, time: Floats) -> list[Mark]:
    """Isolated steps of the angle: not shared by the step before and after."""
    if np.isfinite(angle).sum() < 10:
        return []
    step = np.diff(angle)
    gap = np.diff(time)
    rate = step / np.maximum(gap, 1e-9)
    # what the neighbours say this step should have been
    before = np.abs(step[1:-1] - rate[:-2] * gap[1:-1])
    after = np.abs(step[1:-1] - rate[2:] * gap[1:-1])
    odd = np.fmin(before, after)
    odd[(gap[1:-1] >= 3 * np.median(subsampled(gap))) | ~np.isfinite(odd)] = 0.0
    limit = max(8 * _usual(odd), 0.05)
    speeds = subsampled(np.abs(rate))
    top = float(np.quantile(speeds[np.isfinite(speeds)], 0.995))
    some = subsampled(odd)
    rank = some.size - 1 - max(some.size // 200, min(2, some.size - 1))
    noise = float(np.partition(some, rank)[rank])
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


def _usual(odd: Floats) -> float:
    """Return the median of what is above 0; 0 where nothing is."""
    some = subsampled(odd)
    some = some[some > 0]
    if some.size < FEW_ROWS:
        some = odd[odd > 0]
    return float(np.median(some)) if some.size else 0.0


def _spikes(columns: JointColumns) -> list[Mark]:
    """Single samples of current far from both neighbours, which agree.

    As a joint starts, stops or turns, its friction rises and falls within a
    few samples; there no single sample speaks of the sensor.
    """
    current, time = columns.current_a, columns.t_s
    if np.isfinite(current).sum() < 10:
        return []
    step = np.diff(current)
    # up and down again or down and up again: the smaller of the two steps
    odd = np.fmin(np.abs(step[:-1]), np.abs(step[1:]))
    odd[(step[:-1] > 0) == (step[1:] > 0)] = 0.0
    odd[np.isnan(odd)] = 0.0
    usual = _usual(odd)
    if not usual:
        return []
    limit = max(12 * usual, 1e-9)
    rows = np.flatnonzero(odd > limit)
    state = 3 * columns.motion + columns.direction
    around = rows[:, None] + 1 + np.arange(-TURNS_ROWS, TURNS_ROWS + 1)
    around = state[np.clip(around, 0, state.size - 1)]
    rows = rows[(around == around[:, :1]).all(axis=1)]
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
