"""Stall: something holds the joint back, or pushes it, while it is told to move.

The travel that was due is missing over half a second to eight, and the motor
pushes in the direction that was commanded.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from replay.models.residuals import HELD, RESTING, Floats, JointResiduals
from replay.signatures.brake_slip import AT_ONCE
from replay.signatures.kinds import Facts, Shape, Signature, departs
from replay.signatures.marks import Mark, Measure, Seen
from replay.signatures.motion.following import WINDOWS_S, shortfalls
from replay.signatures.track import Track
from replay.statistics.runs import run_edges

DUE = 0.05
"""Of the usual fast rate: below it a command is as good as none (common practice, no source)."""


def push(joint: JointResiduals) -> Mapping[str, Floats]:
    """Return a current in the commanded direction, sliding or not."""
    way = np.sign(np.nan_to_num(joint.rate_cmd_deg_s))
    return {"plant": way, "rest": np.where(joint.state == HELD, 0.0, way)}


def held(joint: JointResiduals) -> Mapping[str, Floats]:
    """Return a current in the commanded direction at a standstill, while motion is due.

    Told to stand, a drive may hold a load with any current that friction lets it.
    """
    due = np.nan_to_num(joint.rate_cmd_deg_s)
    told = np.abs(due) > DUE * joint.figures.get("fast_deg_s", np.inf)
    return {"rest": np.where((joint.state == RESTING) & told, np.sign(due), 0.0)}


def behind(track: Track) -> Seen:
    """Find windows whose commanded travel is missing."""
    if not track.commanded:
        return Seen((), {})
    return shortfalls(track, "behind", track.rate_cmd_deg_s, WINDOWS_S, lacking=True)


@dataclass(frozen=True, slots=True)
class Held:
    """A stretch in which a joint stays behind its command: when, what was due, what is missing."""

    start_s: float
    end_s: float
    due_deg: float
    missing_deg: float


ASKED = 0.1
"""Slower than this share of the fastest that was asked for, a joint is hardly told to move."""


def held_stretch(joint: JointResiduals, mark: Mark) -> Held | None:
    """Return the stretch about a mark of missing travel in which the joint lags its command.

    A mark's window is one of a few lengths and holds what came before and after; the stalled
    motion is where the rate itself stays below the commanded one by `SHORT` of it.
    """
    half, long = 0.5 * joint.step_s, mark.end_s - mark.start_s
    near = (joint.t_s >= mark.start_s - long) & (joint.t_s <= mark.end_s + long)
    told = np.where(near, np.nan_to_num(joint.rate_cmd_deg_s), 0.0)
    way, fast = np.sign(told), float(np.max(np.abs(told), initial=0.0))
    rate = np.nan_to_num(joint.rate_deg_s) * way
    lags = np.isfinite(joint.rate_deg_s) & (np.abs(told) > ASKED * fast)
    lags &= rate < (1.0 - SHORT) * np.abs(told)
    best: Held | None = None
    for first, past in zip(*run_edges(lags), strict=True):
        due = float(np.sum(np.abs(told[first:past]))) * joint.step_s
        went = float(np.sum(rate[first:past])) * joint.step_s
        start_s, end_s = float(joint.t_s[first] - half), float(joint.t_s[past - 1] + half)
        meets = start_s < mark.end_s and end_s > mark.start_s
        if meets and (best is None or due - went > best.missing_deg):
            best = Held(start_s, end_s, due, due - went)
    return best


def sentence(facts: Facts) -> str:
    """Say how far it stays behind, and how hard it pushes."""
    mark = facts.proof("behind")
    push = facts.ampere.get("push", np.nan)
    if " and " in facts.joints and mark is None:
        return (
            f"{facts.span} {departs(facts)}, on {facts.joints.replace(' and ', ', ')} at once: "
            "something held or pushed the arm"
        )
    if mark is None:
        return f"{facts.span} {departs(facts)}, then it is over: something held or pushed the joint"
    way = "forward" if float(mark.detail["due_deg"]) > 0 else "backward"
    pushes = ""
    if np.isfinite(push) and push > 0:
        pushes = f" while the motor pushes {way}, as told, {push:.2f} A harder than expected"
    due = facts.extra.get("due_deg", abs(float(mark.detail["due_deg"])))
    missing = facts.extra.get("missing_deg", mark.raw)
    return (
        f"{facts.span} something holds the joint: of {due:.2f} deg {way} that were due meanwhile "
        f"{missing / max(due, 1e-9):.0%} is missing{pushes}"
    )


LONGEST_S = 20.0
"""What holds a joint for longer has tripped its drive (common practice, no source)."""

SHORT = 0.3
"""A joint that is held lacks this share of the travel that was due; one that is only
stiff lacks less (common practice, no source)."""


def lacking(mark: Mark) -> float:
    """Return which share of the travel that was due is missing."""
    return abs(float(mark.raw)) / max(abs(float(mark.detail["due_deg"])), 1e-9)


def by_the_sensor(mark: Mark, missing_deg: float = 0.0) -> bool:
    """Tell whether a reading stood still and caught up, or left its place, between two samples.

    A step is the cause of travel that is missing only where it is most of it: what holds a
    joint and lets go shakes it too.
    """
    if mark.measure == "angle frozen":
        return (
            mark.value > SURE and mark.detail["jump_deg"] > 0.5 * mark.detail["expected_travel_deg"]
        )
    return bool(
        mark.measure == "angle step"
        and mark.value > SURE
        and not mark.detail["braked"]
        and mark.detail["at_once"] >= AT_ONCE
        and abs(mark.detail["step_deg"]) > 0.5 * missing_deg
    )


def missing(mark: Mark, others: Sequence[Mark]) -> float:
    """Return the travel that is missing at a mark, deg; the most there is about it else."""
    if mark.measure == "behind":
        return abs(mark.raw)
    return max((abs(m.raw) for m in others if m.measure == "behind"), default=0.0)


SURE = 5.0
"""Spreads that many normal variables do not exceed."""


def claim(mark: Mark, others: Sequence[Mark]) -> float:
    """Claim missing travel, and the stop that goes with it."""
    if any(by_the_sensor(m, missing(mark, others)) for m in others):
        return 0.0
    if mark.measure == "behind":
        return float(min(lacking(mark) / SHORT, 1.0))
    held = any(m.measure == "behind" and lacking(m) >= SHORT for m in others)
    if mark.measure == "swing":
        return float(held and mark.detail["stops"] <= 1 and mark.detail["swings"] < 4)
    return float(held and mark.measure in {"angle step", "release motion", "release push"})


SIGNATURE = Signature(
    kind="stall",
    shapes=(
        Shape("push", "A", push, positive=True, most_s=LONGEST_S, sought=False),
        Shape("held push", "A", held, most_s=LONGEST_S),
    ),
    measures=(Measure("behind", "deg", behind, proof=False, pooled=True, sought=False),),
    sentence=sentence,
    claim=claim,
    needs_mark=True,
)
