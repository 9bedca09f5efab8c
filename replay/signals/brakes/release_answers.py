"""How long a brake's word takes to follow its command, or what stands for a command.

answer
    from a command, to release or to engage, to the brake's word.
drive to word, command to word
    where no release is commanded in the log: from when the drive takes the load, or motion
    is commanded, to the brake's word.
"""

from __future__ import annotations

import numpy as np

from replay.signals.brakes.release_times import (
    PATIENCE_S,
    BrakeRows,
    Codes,
    Floats,
    ReleaseTime,
    changes_to,
    timed,
)
from replay.statistics.spread import NORMAL_QUARTILE

ON_SD, LEAST_HELD_ROWS = 8.0, 20
"""A current so many spreads off that of the engaged brake (in so many rows) is the drive's."""


def answers(t_s: Floats, command: Codes, word: Codes, state: int) -> list[tuple[int, int, bool]]:
    """Pair each change of a command with the first change of the word that follows it.

    Parameters
    ----------
    t_s : (n,)
        Instants, s.
    command, word : (n,) of int8
        1 engaged, 0 released, -1 not known.
    state : {0, 1}
        The state that is commanded.

    Returns
    -------
    list of (row of the command, row of the answer, open-ended)
        Open-ended where the command was taken back, or nothing answered within
        `PATIENCE_S`: the row is then the last that was looked at. A command for the state
        that the word already has is left out.
    """
    made = []
    for row in changes_to(command, state):
        if word[row - 1] == state:
            continue
        stop = int(np.searchsorted(t_s, t_s[row] + PATIENCE_S))
        after = np.flatnonzero(word[row:stop] == state)
        again = np.flatnonzero(command[row:stop] == 1 - state)
        taken_back = again.size and (not after.size or again[0] < after[0])
        open_ended = bool(taken_back or not after.size)
        end = row + int(again[0] if taken_back else after[0] if after.size else stop - 1 - row)
        made.append((int(row), end, open_ended))
    return made


def release_answers(rows: BrakeRows) -> tuple[ReleaseTime, ...]:
    """Time the brake's word after its release was commanded; none where either is not logged."""
    if not (rows.engage_cmd >= 0).any() or not (rows.engaged >= 0).any():
        return ()
    found = answers(rows.t_s, rows.engage_cmd, rows.engaged, 0)
    return tuple(_answered(rows, *one) for one in found)


def _answered(rows: BrakeRows, begin: int, end: int, open_ended: bool) -> ReleaseTime:
    """Return one answer: it had not come in the last row that still has the old word."""
    before = begin + np.flatnonzero(rows.engaged[begin:end] == 1)
    not_yet = int(before[-1]) if before.size else begin
    return timed(rows, begin, end, open_ended, not_yet=None if open_ended else not_yet)


def drive_to_word(rows: BrakeRows) -> tuple[ReleaseTime, ...]:
    """Time the brake's word after the drive took the load, where no command is logged."""
    if (rows.engage_cmd >= 0).any() or not (rows.engaged >= 0).any():
        return ()
    under = rows.engaged == 1
    held = rows.current_a[under & np.isfinite(rows.current_a)]
    if held.size < LEAST_HELD_ROWS:
        return ()
    middle = float(np.median(held))
    usual = max(float(np.median(np.abs(held - middle)) / NORMAL_QUARTILE), 1e-3)
    on = np.abs(np.nan_to_num(rows.current_a) - middle) > ON_SD * usual
    found = []
    for row in changes_to(rows.engaged, 0):
        low = int(np.searchsorted(rows.t_s, rows.t_s[row] - PATIENCE_S))
        off = np.flatnonzero(~(on[low:row] & under[low:row]))
        if off.size and low + int(off[-1]) + 1 < row:
            found.append(timed(rows, low + int(off[-1]) + 1, int(row), False))
    return tuple(found)


def command_to_word(rows: BrakeRows) -> tuple[ReleaseTime, ...]:
    """Time the brake's word after motion was commanded, where no release command is logged."""
    unknown = rows.due_deg is None or not (rows.engaged >= 0).any()
    if unknown or (rows.engage_cmd >= 0).any():
        return ()
    under = rows.engaged == 1
    found = []
    for row in changes_to(rows.engaged, 0):
        if not rows.motion_due[row]:
            continue
        first = int(np.searchsorted(rows.t_s, rows.t_s[row] - PATIENCE_S))
        idle = np.flatnonzero(~(rows.motion_due[first:row] & under[first:row]))
        begin = first + int(idle[-1]) + 1 if idle.size else first
        found.append(timed(rows, begin, int(row), False))
    return tuple(found)
