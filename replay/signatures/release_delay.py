"""Late release: the brake lets go later than it does, or says that it has and has not.

From the release command to the brake's word, and from when motion is both
allowed and asked for to when it comes. A release that is taken back, or that the log
ends before, gives a delay of at least so much (right-censored) and is kept when that
alone is long. While the drive pushes against the brake its current is no sensor's offset.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from replay.models.residuals import HELD, Floats, JointResiduals
from replay.signatures.kinds import Facts, Shape, Signature
from replay.signatures.marks import Mark, Measure, Norm, Seen, best_per_minute, wide
from replay.signatures.track import Codes, Track

FEWEST_STEPS = 20.0
"""A commanded travel of fewer of the angle's smallest steps tells no delay."""

WAIT_S = 20.0
"""A command that nothing followed for so long had nothing to time (common practice, no source)."""


def pushed(joint: JointResiduals) -> Mapping[str, Floats]:
    """Return a current in the commanded direction under an engaged brake."""
    way = np.sign(np.nan_to_num(joint.rate_cmd_deg_s))
    return {"rest": np.where(joint.state == HELD, way, 0.0)}


def words(track: Track) -> Seen:
    """Time the brake's word after its command."""
    command, word = track.engage_cmd, track.engaged
    if not (command >= 0).any() or not (word >= 0).any():
        return Seen((), {})
    return _delays("release word", track, _falls(command), word == 0, command == 1)


def motions(track: Track) -> Seen:
    """Time the first motion after it was allowed (by command, else by word) and asked for."""
    if not track.commanded:
        return Seen((), {})
    told = track.engage_cmd if (track.engage_cmd >= 0).any() else track.engaged
    if not (told >= 0).any():
        return Seen((), {})
    wanted = np.abs(np.nan_to_num(track.rate_cmd_deg_s))
    marks: list[Mark] = []
    delays: list[float] = []
    for row in _falls(told):
        stop = int(np.searchsorted(track.t_s, track.t_s[row] + WAIT_S))
        asked = np.flatnonzero(track.asked[row:stop])
        again = np.flatnonzero(told[row:stop] == 1)
        if not asked.size or (again.size and again[0] < asked[0]):
            continue
        begin = row + int(asked[0])
        end = row + int(again[0]) if again.size else stop
        way = np.sign(track.rate_cmd_deg_s[begin])
        over = np.flatnonzero(np.nan_to_num(track.rate_cmd_deg_s[begin:end]) * way <= 0)
        end = begin + int(over[0]) if over.size else end
        step = np.diff(track.t_s[begin:end], prepend=track.t_s[begin])
        due = np.cumsum(wanted[begin:end] * step)
        went = way * (track.angle_deg[begin:end] - track.angle_deg[begin])
        if not due.size or due[-1] < FEWEST_STEPS * max(track.resolution_deg, 1e-9):
            continue
        moved = np.flatnonzero((went > 0.5 * due) & (went > 2 * track.resolution_deg))
        open_end = not moved.size
        at = begin + int(moved[0]) if moved.size else end - 1
        delay = float(track.t_s[at] - track.t_s[begin])
        if not open_end:
            delays.append(delay)
        marks.append(_mark("release motion", track, begin, at, delay, open_end))
    return Seen(best_per_minute(marks), _norm(delays, track))


def held_back(track: Track) -> Seen:
    """Time the brake's word after motion was commanded, where no release command is logged."""
    if (track.engage_cmd >= 0).any() or not (track.engaged >= 0).any() or not track.commanded:
        return Seen((), {})
    under = track.engaged == 1
    marks: list[Mark] = []
    delays: list[float] = []
    for row in np.flatnonzero(under[:-1] & (track.engaged[1:] == 0)) + 1:
        if not track.asked[row]:
            delays.append(0.0)
            continue
        first = int(np.searchsorted(track.t_s, track.t_s[row] - WAIT_S))
        idle = np.flatnonzero(~(track.asked[first:row] & under[first:row]))
        begin = first + int(idle[-1]) + 1 if idle.size else first
        delay = float(track.t_s[row] - track.t_s[begin])
        delays.append(delay)
        marks.append(_mark("release held back", track, begin, int(row), delay, False))
    return Seen(best_per_minute(marks), _norm(delays, track))


def _falls(codes: Codes) -> np.ndarray:
    return np.flatnonzero((codes[1:] == 0) & (codes[:-1] == 1)) + 1


def _delays(
    name: str, track: Track, starts: np.ndarray, done: np.ndarray, back: np.ndarray
) -> Seen:
    marks: list[Mark] = []
    delays: list[float] = []
    for row in starts:
        if done[row - 1]:
            continue
        stop = int(np.searchsorted(track.t_s, track.t_s[row] + WAIT_S))
        after, again = np.flatnonzero(done[row:stop]), np.flatnonzero(back[row:stop])
        taken_back = again.size and (not after.size or again[0] < after[0])
        open_end = bool(taken_back or not after.size)
        at = row + int(again[0] if taken_back else after[0] if after.size else stop - 1 - row)
        delay = float(track.t_s[at] - track.t_s[row])
        if not open_end:
            delays.append(delay)
        marks.append(_mark(name, track, int(row), int(at), delay, open_end))
    return Seen(best_per_minute(marks), _norm(delays, track))


def _mark(name: str, track: Track, begin: int, at: int, delay: float, open_end: bool) -> Mark:
    amps = np.abs(track.current_a[begin : at + 1])
    amps = amps[np.isfinite(amps)]
    detail = {
        "delay_s": delay,
        "never": open_end,
        "resolution_s": track.period_s,
        "pushed_a": float(amps.max()) if amps.size else float("nan"),
    }
    return Mark(name, "delay", float(track.t_s[begin]), float(track.t_s[at]), delay, detail)


def _norm(delays: list[float], track: Track) -> dict[str, Norm]:
    if not delays:
        return {}
    values = np.array(delays)
    centre = float(np.median(values))
    scale = wide(values - centre)
    return {"delay": (centre, max(scale, 0.5 * track.period_s, 0.02 * centre))}


def sentence(facts: Facts) -> str:
    """Say how late, and by which word."""
    mark = facts.proof("release word", "release held back", "release motion")
    if mark is None:
        return f"{facts.span} the motor pushes against the engaged brake: it comes free late"
    push = mark.detail["pushed_a"]
    amps = f"; meanwhile the motor draws up to {push:.2f} A" if np.isfinite(push) else ""
    delay = f"{'at least ' if mark.detail['never'] else ''}{mark.raw:.2f} s later"
    if mark.measure == "release word":
        return f"the brake, told to release {facts.span}, reports released {delay}{amps}"
    if mark.measure == "release held back":
        return f"motion is commanded {facts.span}, the brake reports released {delay}{amps}"
    return f"motion asked for after a brake release {facts.span} starts {delay}{amps}"


def claim(mark: Mark, beside: Sequence[Mark]) -> float:
    """Claim late words and motions, and with one of them the catching up that follows."""
    own = {"release word", "release held back", "release motion"}
    if mark.measure in own:
        return 1.0
    late = any(m.measure in own for m in beside)
    return float(late and mark.measure in {"behind", "angle step", "swing", "slip"})


SIGNATURE = Signature(
    kind="late-release",
    shapes=(Shape("push against the brake", "A", pushed),),
    measures=(
        Measure("release word", "s", words),
        Measure("release held back", "s", held_back),
        Measure("release motion", "s", motions),
    ),
    sentence=sentence,
    claim=claim,
    needs_mark=True,
)
