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
from replay.signatures.marks import Mark, Measure, Seen
from replay.signatures.release_push import LATEST_S, WAIT_S, falls, pushes, timed
from replay.signatures.track import Track

FIRST_STEPS = 6.0
"""A joint moves once it has left its place by so many of the angle's smallest steps."""


def pushed(joint: JointResiduals) -> Mapping[str, Floats]:
    """Return a current in the commanded direction under an engaged brake."""
    way = np.sign(np.nan_to_num(joint.rate_cmd_deg_s))
    return {"rest": np.where(joint.state == HELD, way, 0.0)}


def words(track: Track) -> Seen:
    """Time the brake's word after its command."""
    command, word = track.engage_cmd, track.engaged
    if not (command >= 0).any() or not (word >= 0).any():
        return Seen((), {})
    return _delays("release word", track, falls(command), word == 0, command == 1)


def motions(track: Track) -> Seen:
    """Time the first motion after the one that was asked for, and how hard the drive pushed.

    Both are read from a release of the brake's word (its command where there is no word)
    on: when the travel asked for, and when the joint's own, is beyond `FIRST_STEPS`. How soon
    a joint follows depends on how fast it is asked to start: cells are of that.
    """
    word = track.engaged if (track.engaged >= 0).any() else track.engage_cmd
    due = track.due_deg
    if due is None or not (word >= 0).any():
        return Seen((), {})
    least = FIRST_STEPS * max(track.resolution_deg, 1e-9)
    marks: list[Mark] = []
    for row in falls(word):
        stop = min(int(np.searchsorted(track.t_s, track.t_s[row] + WAIT_S)), track.t_s.size)
        again = np.flatnonzero(word[row:stop] == 1)
        stop = row + int(again[0]) if again.size else stop
        travel = due[row:stop] - due[row]
        beyond = np.flatnonzero(np.abs(travel) > least)
        if not beyond.size:
            continue
        begin = row + int(beyond[0])
        way = np.sign(travel[beyond[0]])
        went = way * (track.angle_deg[row:stop] - track.angle_deg[row])
        moved = np.flatnonzero(went > least)
        back = np.flatnonzero(way * travel[beyond[0] :] <= 0)
        open_end = not moved.size or (back.size > 0 and row + int(moved[0]) > begin + int(back[0]))
        at = begin + int(back[0]) if open_end and back.size else stop - 1
        at = at if open_end else row + int(moved[0])
        before = max(begin - 3, row)
        rate = abs(due[begin] - due[before]) / max(
            float(track.t_s[begin] - track.t_s[before]), 1e-9
        )
        cell = f"start {int(np.floor(np.log2(max(rate / max(track.top_deg_s, 1e-9), 2.0**-8))))}"
        delay = max(float(track.t_s[at] - track.t_s[begin]), 0.0)
        marks.append(timed("release motion", track, begin, max(at, begin), delay, open_end, cell))
    cells = {m.cell: (0.0, 0.5 * track.period_s) for m in marks}
    return Seen(tuple(marks), cells)


ON_SD = 8.0
"""A current so many spreads off that of the engaged brake is the drive's."""


def drives(track: Track) -> Seen:
    """Time the brake's word after the drive took the load, where no release command is logged."""
    if (track.engage_cmd >= 0).any() or not (track.engaged >= 0).any():
        return Seen((), {})
    under = track.engaged == 1
    held = track.current_a[under & np.isfinite(track.current_a)]
    if held.size < 20:
        return Seen((), {})
    middle = float(np.median(held))
    spread = max(float(np.median(np.abs(held - middle)) / 0.6745), 1e-3)
    on = np.abs(np.nan_to_num(track.current_a) - middle) > ON_SD * spread
    marks: list[Mark] = []
    for row in np.flatnonzero(under[:-1] & (track.engaged[1:] == 0)) + 1:
        low = int(np.searchsorted(track.t_s, track.t_s[row] - WAIT_S))
        off = np.flatnonzero(~(on[low:row] & under[low:row]))
        if not off.size or low + int(off[-1]) + 1 >= row:
            continue
        begin = low + int(off[-1]) + 1
        delay = float(track.t_s[row] - track.t_s[begin])
        marks.append(timed("release drive", track, begin, int(row), delay, False))
    return Seen(tuple(marks), {"delay": (0.0, 0.5 * track.period_s)} if marks else {})


def held_back(track: Track) -> Seen:
    """Time the brake's word after motion was commanded, where no release command is logged."""
    if (track.engage_cmd >= 0).any() or not (track.engaged >= 0).any() or not track.commanded:
        return Seen((), {})
    under = track.engaged == 1
    marks: list[Mark] = []
    for row in np.flatnonzero(under[:-1] & (track.engaged[1:] == 0)) + 1:
        if not track.asked[row]:
            continue
        first = int(np.searchsorted(track.t_s, track.t_s[row] - WAIT_S))
        idle = np.flatnonzero(~(track.asked[first:row] & under[first:row]))
        begin = first + int(idle[-1]) + 1 if idle.size else first
        delay = float(track.t_s[row] - track.t_s[begin])
        marks.append(timed("release held back", track, begin, int(row), delay, False))
    return Seen(tuple(marks), {"delay": (0.0, 0.5 * track.period_s)} if marks else {})


def _delays(
    name: str, track: Track, starts: np.ndarray, done: np.ndarray, back: np.ndarray
) -> Seen:
    marks: list[Mark] = []
    for row in starts:
        if done[row - 1]:
            continue
        stop = int(np.searchsorted(track.t_s, track.t_s[row] + WAIT_S))
        after, again = np.flatnonzero(done[row:stop]), np.flatnonzero(back[row:stop])
        taken_back = again.size and (not after.size or again[0] < after[0])
        open_end = bool(taken_back or not after.size)
        at = row + int(again[0] if taken_back else after[0] if after.size else stop - 1 - row)
        delay = float(track.t_s[at] - track.t_s[row])
        marks.append(timed(name, track, int(row), int(at), delay, open_end))
    return Seen(tuple(marks), {"delay": (0.0, 0.5 * track.period_s)} if marks else {})


def sentence(facts: Facts) -> str:
    """Say how late, and by which word."""
    mark = facts.proof("release word", "release drive", "release held back", "release motion")
    hard = facts.proof("release push")
    if hard is not None and (mark is None or mark.measure == "release motion"):
        return (
            f"after a brake release {facts.span} the joint stays in its place for "
            f"{hard.detail['delay_s']:.2f} s while the motor draws up to {hard.raw:.2f} A: "
            "the brake held longer than it said"
        )
    if mark is None:
        return f"{facts.span} the motor pushes against the engaged brake: it comes free late"
    push = mark.detail["pushed_a"]
    amps = f"; meanwhile the motor draws up to {push:.2f} A" if np.isfinite(push) else ""
    delay = f"{'at least ' if mark.detail['never'] else ''}{mark.raw:.2f} s later"
    if mark.measure == "release word":
        return f"the brake, told to release {facts.span}, reports released {delay}{amps}"
    if mark.measure == "release drive":
        return f"the drive takes the load {facts.span}, the brake reports released {delay}{amps}"
    if mark.measure == "release held back":
        return f"motion is commanded {facts.span}, the brake reports released {delay}{amps}"
    return f"motion asked for after a brake release {facts.span} starts {delay}{amps}"


def claim(mark: Mark, beside: Sequence[Mark]) -> float:
    """Claim late words and motions, and with one of them the catching up that follows."""
    own = {m.name for m in SIGNATURE.measures}

    def late_by(one: Mark) -> bool:
        long = one.measure == "release push" and one.detail["delay_s"] > LATEST_S
        return one.measure in own and not long  # a brake lets go at last, an obstacle stays

    if mark.measure in own:
        return float(late_by(mark))
    late = any(late_by(m) for m in beside)
    return float(late and mark.measure in {"behind", "angle step", "swing", "slip"})


SIGNATURE = Signature(
    kind="late-release",
    shapes=(Shape("push against the brake", "A", pushed),),
    measures=(
        Measure("release word", "s", words, pooled=True),
        Measure("release drive", "s", drives, pooled=True),
        Measure("release held back", "s", held_back, pooled=True),
        Measure("release motion", "s", motions, pooled=True, sought=False),
        Measure("release push", "A", pushes, pooled=True),
    ),
    sentence=sentence,
    claim=claim,
    needs_mark=True,
)
