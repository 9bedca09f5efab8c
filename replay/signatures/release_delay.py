"""Late release: the brake lets go later than it does, or says that it has and has not.

From the release command to the brake's word, and from when motion is both
allowed and asked for to when it comes: `replay.signals.brakes` measures. A time that
is open-ended (taken back, or cut by the log's end) is kept when that alone is long; one whose end
came while rows were missing is as long as the log shows. While the
drive pushes against the brake its current is no sensor's offset; how hard it pushes is told
too, since a brake's word may lie.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from replay.models.residuals import HELD, Floats, JointResiduals
from replay.signals.brakes import release_answers, release_starts
from replay.signals.brakes.release_times import ReleaseTime
from replay.signatures.kinds import Facts, Shape, Signature
from replay.signatures.marks import Mark, Measure, Seen
from replay.signatures.track import Track

LATEST_S = 2.0
"""What holds a joint for longer is seldom its brake's delay (common practice, no source)."""


def pushed(joint: JointResiduals) -> Mapping[str, Floats]:
    """Return a current in the commanded direction under an engaged brake."""
    way = np.sign(np.nan_to_num(joint.rate_cmd_deg_s))
    return {"rest": np.where(joint.state == HELD, way, 0.0)}


def words(track: Track) -> Seen:
    """Take the brake's word after its command."""
    return _delays("release word", track, release_answers.release_answers(track))


def drives(track: Track) -> Seen:
    """Take the brake's word after the drive took the load, where no release command is logged."""
    return _delays("release drive", track, release_answers.drive_to_word(track))


def held_back(track: Track) -> Seen:
    """Take the brake's word after motion was commanded, where no release command is logged."""
    return _delays("release held back", track, release_answers.command_to_word(track))


def motions(track: Track) -> Seen:
    """Take the first motion after the one that was asked for, and how hard the drive pushed.

    How soon a joint follows depends on how fast it is asked to start: cells are of that.
    """
    marks = []
    for time in release_starts.starts(track):
        share = max(time.commanded_deg_s / max(track.top_deg_s, 1e-9), 2.0**-8)
        marks.append(_mark("release motion", track, time, f"start {int(np.floor(np.log2(share)))}"))
    return Seen(tuple(marks), {m.cell: (0.0, 0.5 * track.period_s) for m in marks})


def pushes(track: Track) -> Seen:
    """Take how hard the drive pushes after the word: more than starts it is never needed."""
    marks = [
        _mark("release push", track, t, "push", t.drawn_a) for t in release_starts.pushes(track)
    ]
    return Seen(tuple(marks), {"push": (0.0, _least_a(track))} if marks else {})


def pushes_beyond(track: Track) -> Seen:
    """Take how much more the drive draws before the joint leaves its place than after."""
    marks = [
        _mark("release push beyond", track, t, "beyond", t.beyond_a)
        for t in release_starts.pushes(track)
    ]
    return Seen(tuple(marks), {"beyond": (0.0, _least_a(track))} if marks else {})


def _least_a(track: Track) -> float:
    """Return the least scale of a push, A."""
    return max(0.01 * float(np.nanmax(np.abs(track.current_a), initial=0.0)), 1e-3)


QUIET = 2.0
"""A push is more than so many times what 99 of 100 samples under the engaged brake stay below."""


def _quiet_a(track: Track) -> float:
    """Return the current up to which a motor under its engaged brake is said to do nothing, A.

    It is what noise and a drive that holds show in this session; NaN where the brake is
    never engaged long enough to tell.
    """
    held = np.abs(track.current_a[track.braked & np.isfinite(track.current_a)])
    return QUIET * float(np.quantile(held, 0.99)) if held.size >= FEWEST_HELD else float("nan")


FEWEST_HELD = 100


def pushes_hard(detail: Mapping[str, float]) -> bool:
    """Tell whether a motor drove against its brake: more current than noise and holding show.

    Where it is not known what those show, any current counts.
    """
    drawn, quiet = detail.get("pushed_a"), detail.get("quiet_a")
    if drawn is None or not np.isfinite(drawn):
        return True
    return quiet is None or not np.isfinite(quiet) or abs(drawn) > quiet


def _delays(name: str, track: Track, times: Iterable[ReleaseTime]) -> Seen:
    marks = tuple(_mark(name, track, t, "delay") for t in times)
    return Seen(marks, {"delay": (0.0, 0.5 * track.period_s)} if marks else {})


def _mark(name: str, track: Track, time: ReleaseTime, cell: str, raw: float | None = None) -> Mark:
    """Return a mark of one time: its length, or another size, and what the drive drew meanwhile."""
    shown_s = time.shown_s(track.period_s)
    detail = {
        "delay_s": time.time_s,
        "never": time.open_ended,
        "resolution_s": track.period_s,
        "pushed_a": time.drawn_a,
        "quiet_a": _quiet_a(track),
    }
    begin_s, end_s = float(track.t_s[time.begin_row]), float(track.t_s[time.end_row])
    return Mark(name, cell, begin_s, end_s, shown_s if raw is None else raw, detail)


def sentence(facts: Facts) -> str:
    """Say how late, and by which word."""
    mark = facts.proof("release word", "release drive", "release held back", "release motion")
    hard = facts.proof(*PUSHES)
    if hard is not None and (mark is None or mark.measure == "release motion"):
        return (
            f"after a brake release {facts.span} the joint stays in its place for "
            f"{hard.detail['delay_s']:.2f} s while "
            f"the motor draws up to {hard.detail.get('pushed_a', hard.raw):.2f} A: "
            "the brake held longer than it said"
        )
    if mark is None:
        return f"{facts.span} the motor pushes against the engaged brake: it comes free late"
    push = mark.detail["pushed_a"]
    amps = ""
    if np.isfinite(push):
        amps = f"; meanwhile the motor draws up to {push:.2f} A"
        if not pushes_hard(mark.detail):
            amps += ", no more than it does under an engaged brake"
    usual = facts.extra.get("usual_s", np.nan)
    unseen = mark.detail.get("delay_s", mark.raw) - mark.raw > 0.5 * mark.detail.get(
        "resolution_s", 0.0
    )
    least = mark.detail["never"] or unseen  # rows are missing before it was seen to have come
    delay = f"{'at least ' if least else ''}{mark.raw:.2f} s after"
    beside = f", usually {usual:.2f} s" if np.isfinite(usual) else ""
    waits = f"{facts.span} the brake does not report released: that comes {delay}"
    if mark.measure == "release word":
        return f"{waits} it was told to{beside}{amps}"
    if mark.measure == "release drive":
        return f"{waits} the drive takes the load{beside}{amps}"
    if mark.measure == "release held back":
        return f"{waits} motion is commanded{beside}{amps}"
    return (
        f"{facts.span} the joint does not move: its motion starts {delay} it is asked for with "
        f"the brake released{beside}{amps}"
    )


PUSHES = ("release push", "release push beyond")


def claim(mark: Mark, others: Sequence[Mark]) -> float:
    """Claim late words and motions, and with one of them the catching up that follows."""
    own = {m.name for m in SIGNATURE.measures}

    def late_by(one: Mark) -> bool:
        long = one.measure in PUSHES and one.detail["delay_s"] > LATEST_S
        return one.measure in own and not long  # a brake lets go at last, an obstacle stays

    if mark.measure in own:
        return float(late_by(mark))
    late = any(late_by(m) for m in others)
    return float(late and mark.measure in {"behind", "angle step", "swing", "slip"})


SIGNATURE = Signature(
    kind="late-release",
    shapes=(Shape("push against the brake", "A", pushed),),
    measures=(
        Measure("release word", "s", words, pooled=True),
        Measure("release drive", "s", drives, pooled=True),
        Measure("release held back", "s", held_back, pooled=True),
        Measure("release motion", "s", motions, pooled=True),
        Measure("release push", "A", pushes, pooled=True),
        Measure("release push beyond", "A", pushes_beyond, pooled=True),
    ),
    sentence=sentence,
    claim=claim,
    needs_mark=True,
)
