"""Indicators that single events of motion give: breakaway, backlash, holding."""

from __future__ import annotations

from datetime import datetime
from itertools import pairwise

import numpy as np
import polars as pl

from replay.statistics.runs import runs
from replay.wear.measures.measure import Floats, Measure, column, of_events, step_s
from replay.wear.reference.model import Reference, drive_current

BEFORE_S, AFTER_S = 0.4, 0.15
"""Where the breakaway current is looked for, about the first motion."""
STILL_S = 0.8
"""A joint must have been still this long before a start counts."""
SETTLING_S = 1.0
"""Left out at the start of a hold."""
TURN_S = 1.5
"""A reversal is two motions with no more rest than this between them."""
FEWEST_IN_WINDOW = 3
LEVEL_S = (1.5, 3.0, 6.0, 12.0)
"""After a reversal the current's new level is looked for in the later half of
this long, the shortest in which it has settled."""
SETTLED = 0.25
"""Share of the change of level by which two quarters of that may still differ."""


def breakaway_measures(table: pl.DataFrame, reference: Reference) -> list[Measure]:
    """Return the greatest current about each start of motion, per direction.

    What acceleration and load take by the unit's reference model is taken off. Needs
    at least `FEWEST_IN_WINDOW` samples in the window; at slower
    sampling the peak cannot be seen and nothing is returned.
    """
    step = step_s(table)
    if not (BEFORE_S + AFTER_S) / step >= FEWEST_IN_WINDOW:
        return []
    t, current = table["t_s"].to_numpy(), column(table, "current_a")
    accel, load = column(table, "accel_deg_s2"), column(table, "load_nm")
    direction = table["direction"].fill_null(0).to_numpy()
    moving = (table["motion"] == "moving").fill_null(False).to_numpy()
    found: dict[int, tuple[list[float], list[datetime | None]]] = {1: ([], []), -1: ([], [])}
    stretches = runs(moving)
    for k, (first, last) in enumerate(stretches):
        ended = t[stretches[k - 1][1] - 1] if k else t[0] - STILL_S
        if t[first] - ended < STILL_S or last - first < 2:
            continue
        sign = int(direction[min(first + 1, last - 1)])
        a, b = np.searchsorted(t, [t[first] - BEFORE_S, t[first] + AFTER_S])
        drive = drive_current(accel[a:b], load[a:b], np.full(b - a, float(sign)), reference)
        window = current[a:b] - drive
        if sign == 0 or np.isfinite(window).sum() < FEWEST_IN_WINDOW:
            continue
        found[sign][0].append(float(np.nanmax(sign * window)))
        found[sign][1].append(table["time"][first])
    made = [
        of_events(
            f"breakaway {word}",
            np.array(found[sign][0]),
            found[sign][1],
            least_spread=reference.motion_spread_a,
        )
        for word, sign in (("forward", 1), ("backward", -1))
    ]
    return [m for m in made if m is not None]


def backlash_measure(table: pl.DataFrame) -> Measure | None:
    """Return the angle from a turn to where the current has changed sides.

    At a reversal the current passes from one friction level to the other; the
    angle at which it is half way, counted from the turning point, is the play
    and wind-up of the drive. Not measurable, and not returned, when a sample's
    step of angle is larger than that.
    """
    angle, current = column(table, "angle_deg"), column(table, "current_a")
    if not np.isfinite(angle).any():
        return None
    t = table["t_s"].to_numpy()
    direction = table["direction"].fill_null(0).to_numpy()
    stretches = runs(direction == 1) + runs(direction == -1)
    stretches.sort()
    values: list[float] = []
    steps: list[float] = []
    times: list[datetime | None] = []
    for (a0, a1), (b0, b1) in pairwise(stretches):
        if direction[a0] == direction[b0] or t[b0] - t[a1 - 1] > TURN_S:
            continue
        if a1 - a0 < 5 or b1 - b0 < 5:
            continue
        part = slice(a0, b1)
        one = _reversal(t[part], angle[part], current[part], a1 - a0, b0 - a0, int(direction[b0]))
        if one is not None:
            values.append(one[0])
            steps.append(one[1])
            times.append(table["time"][b0])
    if len(values) < 3 or np.median(values) < np.median(steps):
        return None
    return of_events("backlash at reversals", np.array(values), times)


def holding_measure(table: pl.DataFrame) -> Measure | None:
    """Return the size of the current while released and still."""
    t, current = table["t_s"].to_numpy(), column(table, "current_a")
    holding = (table["motion"] == "holding").fill_null(False).to_numpy()
    values: list[float] = []
    times: list[datetime | None] = []
    for first, last in runs(holding):
        inside = slice(int(np.searchsorted(t, t[first] + SETTLING_S)), last)
        part = current[inside]
        part = part[np.isfinite(part)]
        if len(part) < 3 or t[last - 1] - t[first] < SETTLING_S + 0.5:
            continue
        values.append(float(np.abs(np.median(part))))
        times.append(table["time"][(inside.start + last) // 2])
    if len(values) < 2:
        return None
    return of_events("holding current", np.array(values), times)


def _reversal(
    t: Floats, angle: Floats, current: Floats, end_of_first: int, start_of_second: int, sign: int
) -> tuple[float, float] | None:
    """Return (angle to the half-way current, one sample's step of angle)."""
    step = float(np.median(np.diff(t)))
    begin = max(0, end_of_first - max(12, round(LEVEL_S[0] / step)))
    before = current[begin:end_of_first]
    if len(before) < 3:
        return None
    first = float(np.nanmedian(before))
    second = _settled(current[start_of_second:], step, first)
    if second is None or sign * second <= sign * first:
        return None
    half = (first + second) / 2
    around = slice(max(0, end_of_first - 3), start_of_second + 4)
    turn = around.start + int(np.argmin(sign * angle[around]))
    past = np.flatnonzero(sign * (current[turn:] - half) >= 0)
    if not len(past) or past[0] == 0:
        return None
    k = turn + int(past[0])
    rise = current[k] - current[k - 1]
    share = (half - current[k - 1]) / rise if rise else 1.0
    crossed = angle[k - 1] + share * (angle[k] - angle[k - 1])
    return abs(float(crossed - angle[turn])), abs(float(angle[k] - angle[k - 1]))


def _settled(current: Floats, step: float, first: float) -> float | None:
    """Return the level that the current takes up after a turn, None if it never settles."""
    for seconds in LEVEL_S:
        n = max(15, round(seconds / step))
        if n > len(current) and seconds > LEVEL_S[0]:
            return None
        late = current[:n][n // 2 :]
        if len(late) < 6:
            return None
        third, last = (float(np.nanmedian(q)) for q in np.array_split(late, 2))
        level = float(np.nanmedian(late))
        if abs(last - third) <= SETTLED * abs(level - first):
            return level
    return None
