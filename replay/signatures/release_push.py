"""What happens at a release of the brake: when, how long, and how hard the drive pushes.

A brake's word may lie: it says released while it holds, and the drive pushes against it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from replay.signatures.marks import Mark, Seen, wide
from replay.signatures.track import Codes, Track

WAIT_S = 20.0
"""A command that nothing followed for so long had nothing to time (common practice, no source)."""


LATEST_S = 2.0
"""What holds a joint for longer is seldom its brake's delay (common practice, no source)."""

STILL_STEPS, STILL_SD = 2.1, 5.0
"""A joint is in its place while within so many of the angle's smallest steps (dither is one),
or of its noise's standard deviations."""


def pushes(track: Track) -> Seen:
    """Find how hard the drive pushes while the brake is told to be off and nothing moves.

    From the release of the brake's word (its command where there is no word) to the last row
    before the joint has left its place by `STILL_STEPS`: more than starts it is never needed.
    """
    word = track.engaged if (track.engaged >= 0).any() else track.engage_cmd
    if not (word >= 0).any():
        return Seen((), {})
    held = np.diff(track.angle_deg)[track.braked[1:] & track.braked[:-1]]
    noise = wide(held) / np.sqrt(2) if held.size else 0.0
    least = max(STILL_STEPS * track.resolution_deg, STILL_SD * noise, 1e-9)
    marks: list[Mark] = []
    for row in falls(word):
        stop = min(int(np.searchsorted(track.t_s, track.t_s[row] + WAIT_S)), track.t_s.size)
        again = np.flatnonzero(word[row:stop] == 1)
        stop = row + int(again[0]) if again.size else stop
        place = float(np.median(track.angle_deg[max(row - 3, 0) : row + 1]))
        left = np.flatnonzero(np.abs(track.angle_deg[row:stop] - place) > least)
        at = row + int(left[0]) - 1 if left.size else stop - 1
        amps = np.abs(track.current_a[row : at + 1])
        if not np.isfinite(amps).any():
            continue
        most = float(np.nanmax(amps))
        delay = float(track.t_s[at] - track.t_s[row])
        mark = timed("release push", track, row, at, delay, not left.size, "push")
        marks.append(replace(mark, raw=most))
    floor = max(0.01 * float(np.nanmax(np.abs(track.current_a), initial=0.0)), 1e-3)
    return Seen(tuple(marks), {"push": (0.0, floor)} if marks else {})


def falls(codes: Codes) -> np.ndarray:
    """Return the rows at which a brake, or its command, goes to released."""
    return np.flatnonzero((codes[1:] == 0) & (codes[:-1] == 1)) + 1


def timed(
    name: str,
    track: Track,
    begin: int,
    at: int,
    delay: float,
    open_end: bool,
    cell: str = "delay",
) -> Mark:
    """Return a mark of one delay, and what the drive drew meanwhile."""
    amps = np.abs(track.current_a[begin : at + 1])
    amps = amps[np.isfinite(amps)]
    detail = {
        "delay_s": delay,
        "never": open_end,
        "resolution_s": track.period_s,
        "pushed_a": float(amps.max()) if amps.size else float("nan"),
    }
    return Mark(name, cell, float(track.t_s[begin]), float(track.t_s[at]), delay, detail)
