"""What the brake did, measured: delays after a command, motion while engaged.

Release delay: from the release command to the state that says released, and
to the first motion when motion was commanded. Slip: departure of the angle
while the brake is engaged, after a settling allowance. Definitions: common
practice, no source.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from replay.models.bins import Floats
from replay.models.symptoms.marks import Mark, runs
from replay.signals.carry import Codes
from replay.signals.columns import JointColumns, columns_of
from replay.statistics.noise import subsampled

SETTLE_S = 1.0
"""After engaging, the joint may still relax for this long."""

STOPPED_S = 0.3
AT_ONCE_DEG = 0.5
"""A joint that stood still as its brake engaged has nothing to settle by so much."""

LONGEST_HOLE_S = 0.5

MOST_ASKED = 0.1
"""A command that is not zero for more of the time under the brake is never zero."""

LEAST_ASKED = 0.03
"""A command below this share of the largest usual one is no motion that could be late."""

LONGEST_WAIT_S = 20.0
"""A release command that nothing followed for this long had no motion to time."""


def brake_marks(table: pl.DataFrame | JointColumns) -> list[Mark]:
    """Return every brake delay and every held span's departure of one joint."""
    columns = columns_of(table)
    time = columns.t_s
    if time.size < 3:
        return []
    engaged = _state(columns.brake_engaged)
    command = _state(columns.brake_engage_cmd)
    angle, rate, wanted = columns.angle_deg, columns.rate_deg_s, columns.rate_cmd_deg_s
    period = float(np.median(np.diff(time[: min(time.size, 20000)])))
    made: list[Mark] = []
    if engaged is not None and command is not None:
        made += _delays(time, command, engaged, period)
    released = engaged if engaged is not None else command
    told = command if command is not None else engaged
    if told is not None:  # without a command the state is the earliest word of a release
        made += _first_motion(time, told, rate, wanted, period)
    if command is None and engaged is not None:
        made += _held_back(time, engaged, wanted, period)
    if released is not None:
        made += _slips(time, released, angle, rate, period)
        made += _chatter(time, released, period)
    return made


def _state(codes: Codes) -> Codes | None:
    """Return a switch's codes (1, 0, -1 for unknown); None where it was not logged."""
    return codes if (codes >= 0).any() else None


def _delays(time: Floats, command: Codes, engaged: Codes, period: float) -> list[Mark]:
    made = []
    for word, value in (("release", 0), ("engage", 1)):
        turned = np.flatnonzero((command[1:] == value) & (command[:-1] == 1 - value)) + 1
        for row in turned:
            if engaged[row - 1] == value:
                continue
            stop = int(np.searchsorted(time, time[row] + LONGEST_WAIT_S))
            after = np.flatnonzero(engaged[row:stop] == value)
            back = np.flatnonzero(command[row:stop] == 1 - value)
            if after.size and (not back.size or after[0] <= back[0]):
                delay, open_end = float(time[row + after[0]] - time[row]), False
            else:
                end = row + back[0] if back.size else stop - 1
                delay, open_end = float(time[end] - time[row]), True
                if delay < 5 * period:
                    continue
            made.append(
                Mark(
                    f"{word} delay",
                    float(time[row]),
                    float(time[row] + delay),
                    delay,
                    {"resolution_s": period, "never": open_end},
                )
            )
    return made


def _first_motion(
    time: Floats, told: Codes, rate: Floats, wanted: Floats, period: float
) -> list[Mark]:
    """Time from when motion was both allowed and asked for until it came."""
    made = []
    speed = np.abs(wanted)
    some = speed[speed > 0]  # NaN is not
    if not some.size:
        return []
    some = subsampled(some)
    trifle = LEAST_ASKED * float(np.quantile(some, 0.98))
    asked = speed > max(0.1 * float(np.median(some)), trifle)
    turned = np.flatnonzero((told[1:] == 0) & (told[:-1] == 1)) + 1
    for row in turned:
        stop = int(np.searchsorted(time, time[row] + LONGEST_WAIT_S))
        begin = np.flatnonzero(asked[row:stop])
        if not begin.size:
            continue
        begin_row = row + int(begin[0])
        level = 0.5 * np.abs(np.nan_to_num(wanted[begin_row:stop]))
        moved = np.flatnonzero((np.abs(np.nan_to_num(rate[begin_row:stop])) > level) & (level > 0))
        if not moved.size:
            continue
        delay = float(time[begin_row + moved[0]] - time[begin_row])
        made.append(
            Mark(
                "motion delay",
                float(time[begin_row]),
                float(time[begin_row] + delay),
                delay,
                {"resolution_s": period},
            )
        )
    return made


def _held_back(time: Floats, engaged: Codes, wanted: Floats, period: float) -> list[Mark]:
    """Time from when motion was commanded until the brake's state lets it through.

    Without a command of its own the brake was due to be free by then.
    """
    asked = np.abs(np.nan_to_num(wanted)) > 0
    under = engaged == 1
    if not asked.any() or float(np.mean(asked[under])) > MOST_ASKED:
        return []  # this command has no zero that could say that nothing is wanted
    made = []
    for row in np.flatnonzero(under[:-1] & (engaged[1:] == 0)) + 1:
        if not (asked[row - 1] and asked[row]):
            continue
        first = int(np.searchsorted(time, time[row] - LONGEST_WAIT_S))
        still = np.flatnonzero(~(asked[first:row] & under[first:row]))
        begin = first + int(still[-1]) + 1 if still.size else first
        delay = float(time[row] - time[begin])
        detail = {"resolution_s": period, "by_motion": True}
        made.append(Mark("release delay", float(time[begin]), float(time[row]), delay, detail))
    return made


def _slips(time: Floats, engaged: Codes, angle: Floats, rate: Floats, period: float) -> list[Mark]:
    made = []
    still = (engaged == 1) & np.isfinite(angle)
    # over a hole in the log the brake may have been released and engaged again
    hole = np.diff(time, prepend=time[0]) > max(LONGEST_HOLE_S, 5 * period)
    first, last = runs(still & ~hole)
    speed = subsampled(np.abs(rate)) if first.size else np.empty(0)
    speed = speed[np.isfinite(speed)]
    slow = max(0.02 * float(np.quantile(speed, 0.98)), 1e-3) if speed.size else 0.0
    for a, b in zip(first, last, strict=True):
        settled = int(np.searchsorted(time, time[a] + (SETTLE_S if a > 0 else 0.0)))
        if b - settled < 4 or time[b] - time[settled] < max(0.5, 4 * period):
            continue
        held = angle[settled : b + 1]
        reference = float(np.median(held[: max(3, min(held.size // 4, int(1.0 / period) + 1))]))
        away = np.abs(held - reference)
        peak = float(np.median(np.partition(away, -3)[-3:]))
        begin, end = (settled + k for k in _under_way(away, peak))
        final = float(np.median(held[-3:]) - reference)
        early = _at_once(time, angle, rate, slow, int(a), settled, int(b)) if a > 0 else None
        if early is not None and abs(early[1]) > max(peak, AT_ONCE_DEG):
            begin, final, end = early
            peak = abs(final)
        sudden = float(np.max(np.abs(np.diff(angle[a : b + 1])))) / max(peak, 1e-9)
        made.append(
            Mark(
                "slip",
                float(time[begin]),
                float(max(time[end], time[begin])),
                peak,
                {
                    "stayed_deg": final,
                    "period_s": period,
                    "at_once": sudden,
                    "from_s": float(time[a]),
                    "to_s": float(time[b]),
                },
            )
        )
    return made


def _at_once(
    time: Floats, angle: Floats, rate: Floats, slow: float, a: int, settled: int, b: int
) -> tuple[int, float, int] | None:
    """Return whence, how far and until where a joint that stood still left its place.

    None when it was still running as the brake engaged: then it had to stop first.
    """
    soon = int(np.searchsorted(time, time[a] + STOPPED_S))
    if soon - a < 2 or not np.nanmedian(np.abs(rate[a:soon])) <= slow:
        return None
    place = float(np.median(angle[a:soon]))
    away = float(np.median(angle[b - 2 : b + 1])) - place
    begin, end = _under_way(np.abs(angle[soon : b + 1] - place), abs(away))
    return soon + begin, away, soon + end


def _under_way(away: Floats, most: float) -> tuple[int, int]:
    """Return from where to where a departure grows from a tenth to nine tenths of its size."""
    there = np.flatnonzero(away >= 0.9 * most)
    if most <= 0 or not there.size:
        return 0, away.size - 1
    end = int(there[0])
    near = np.flatnonzero(away[: end + 1] <= 0.1 * most)
    return (int(near[-1]) if near.size else 0), end


def _chatter(time: Floats, engaged: Codes, period: float) -> list[Mark]:
    change = np.flatnonzero(
        (engaged[1:] != engaged[:-1]) & (engaged[1:] >= 0) & (engaged[:-1] >= 0)
    )
    if change.size < 4:
        return []
    at = time[change + 1]
    count = np.searchsorted(at, at + 2.0) - np.arange(at.size)
    worst = int(np.argmax(count))
    if count[worst] < 4:
        return []
    return [
        Mark(
            "brake chatter",
            float(at[worst]),
            float(at[worst] + 2.0),
            float(count[worst]),
            {"resolution_s": period},
        )
    ]
