"""What a joint does after its brake's word says released: when it starts, how hard it is pushed.

start
    from when the travel that was asked for can be seen to when the joint's can.
push
    until the joint leaves its place, and what the drive draws meanwhile: a brake's word may lie.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from replay.signals.brakes.release_times import (
    PATIENCE_S,
    BrakeRows,
    Floats,
    ReleaseTime,
    changes_to,
    timed,
)
from replay.statistics.spread import wide_spread

STILL_STEPS, STILL_SD = 2.1, 5.0
"""A joint is in its place while within so many of the angle's smallest steps (dither is one),
or of its noise's standard deviations."""

SETTLED_S = 0.5
"""A joint that was let go has caught up after this, and for as long again what it takes is read:
a joint held for half a second at a usual start is on its way by then (measured on simulated
arms)."""

FIRST_STEPS = 6.0
"""A joint moves once it has left its place by so many of the angle's smallest steps."""


def starts(rows: BrakeRows) -> tuple[ReleaseTime, ...]:
    """Time the first motion after the one that was asked for, since the brake's word.

    Both are read from a release of the word (its command where there is no word) on: when
    the travel asked for, and when the joint's own, is beyond `FIRST_STEPS`. A joint that then
    goes the other way as far is not held either: its load took it, or a spring. Ends open
    where the travel was taken back, or no more of it was asked for, before the joint had moved:
    what is asked for a moment and no further need not move a joint that sticks.
    """
    due = rows.due_deg
    if due is None:
        return ()
    least = FIRST_STEPS * max(rows.resolution_deg, 1e-9)
    found = []
    for row, stop in _released(rows):
        travel = due[row:stop] - due[row]
        beyond = np.flatnonzero(np.abs(travel) > least)
        if not beyond.size:
            continue
        begin = row + int(beyond[0])
        way = np.sign(travel[beyond[0]])
        went = way * (rows.angle_deg[row:stop] - rows.angle_deg[row])
        gave = way * (rows.angle_deg[begin] - rows.angle_deg[row:stop])
        gave[: begin - row] = 0.0
        moved = np.flatnonzero((went > least) | (gave > least))
        ceased = np.flatnonzero(~rows.motion_due[begin:stop])
        back = np.flatnonzero(way * travel[beyond[0] :] <= 0)
        asked = begin + int(min([*back[:1], *ceased[:1], stop - 1 - begin]))
        open_ended = bool(not moved.size or row + int(moved[0]) > asked)
        end = asked if open_ended else row + int(moved[0])
        before = max(begin - 3, row)
        span_s = max(float(rows.t_s[begin] - rows.t_s[before]), 1e-9)
        rate = float(abs(due[begin] - due[before])) / span_s
        found.append(timed(rows, begin, max(begin, end), open_ended, commanded_deg_s=rate))
    return tuple(found)


def pushes(rows: BrakeRows) -> tuple[ReleaseTime, ...]:
    """Time how long a joint stays in its place after the brake's word, and how the drive pushes.

    What it draws beyond (``beyond_a``) is the most of it less what the joint takes once it has
    gone: a load that hangs on it, and its friction, are needed before as after.
    From the release of the word (its command where there is no word) to the last row before
    the joint has left its place, or before nobody saw where it was; none where no angle tells
    the place, or no current is known meanwhile.
    """
    held = np.diff(rows.angle_deg)[rows.braked[1:] & rows.braked[:-1]]
    noise = wide_spread(held) / np.sqrt(2) if held.size else 0.0
    least = max(STILL_STEPS * rows.resolution_deg, STILL_SD * noise, 1e-9)
    found = []
    for row, stop in _released(rows):
        there = rows.angle_deg[max(row - 3, 0) : row + 1]
        there = there[np.isfinite(there)]
        if not there.size:
            continue
        unseen = np.flatnonzero(np.isnan(rows.angle_deg[row:stop]))
        stop = row + int(unseen[0]) if unseen.size else stop
        if stop <= row:
            continue
        left = np.flatnonzero(np.abs(rows.angle_deg[row:stop] - np.median(there)) > least)
        end = row + int(left[0]) - 1 if left.size else stop - 1
        push = timed(rows, row, end, not left.size, until=end + 1 if left.size else None)
        if np.isfinite(push.drawn_a):
            gone_s = rows.t_s[end] + SETTLED_S
            first, last = np.searchsorted(rows.t_s, (gone_s, gone_s + SETTLED_S))
            taken = rows.current_a[first : min(int(last), stop)] if left.size else np.zeros(0)
            found.append(replace(push, beyond_a=_beyond(rows.current_a[row : end + 1], taken)))
    return tuple(found)


def _beyond(before: Floats, after: Floats) -> float:
    """Return the largest of the currents before, less what is usual after, in its direction, A."""
    most = float(before[np.nanargmax(np.abs(before))])
    usual = after[np.isfinite(after)]
    needed = float(np.median(usual)) if usual.size else 0.0
    return float(np.sign(most) * (most - needed))


def _released(rows: BrakeRows) -> Iterator[tuple[int, int]]:
    """Yield (row of a release, row after the last) until it is taken back or patience ends."""
    word = rows.engaged if (rows.engaged >= 0).any() else rows.engage_cmd
    for row in changes_to(word, 0):
        stop = min(int(np.searchsorted(rows.t_s, rows.t_s[row] + PATIENCE_S)), rows.t_s.size)
        again = np.flatnonzero(word[row:stop] == 1)
        yield int(row), int(row) + int(again[0]) if again.size else stop
