"""From an event to its kind, and the runner-up."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from replay.checks.events import Event
from replay.checks.evidence import Evidence
from replay.models.symptoms.heaves import DIPS, RISES
from replay.models.symptoms.marks import Mark

MARK_KINDS = {
    "silence": "gap",
    "lost channel": "gap",
    "current frozen": "current-sensor",
    "spike": "current-sensor",
    "angle frozen": "angle-sensor",
    "angle step": "angle-sensor",
    "slip": "brake-slip",
    "release delay": "late-release",
    "motion delay": "late-release",
    "engage delay": "unusual",
    "brake chatter": "unusual",
}

LAGS = 0.15
"""A joint that falls behind its command by more than this share is held back."""

LAGS_S = 0.5
"""And for at least so long."""

PUSHES = 1.5
"""Mean excess of the current over what the commanded rate needs, in spreads."""

RIPPLES = 1.5
"""The rate's ripple inside bins, against the rest of the session."""

GAIN_AHEAD, GAIN_TOLD = 0.06, 30.0
"""So much better than drag a wrong gain must fit: as a share, and in squared spreads."""

MOST_LOST = 0.95
"""A sensor's gain takes less than this share of the current away."""

RUBS_S = 10.0
"""A brake that comes free while it is released does so within about this much motion."""

GRASPS = 0.7
"""An event that shares this much of its motion with that of a payload aboard came with it."""

FITS = 0.5
"""An event that the session's own slope on the load explains by this share is more of it."""

ALIKE = 0.65
"""Two currents whose ratio is above this, and below its inverse, are one offset."""

AT_ONCE = 0.85
"""Share of a slip in one step from sample to sample above which no body has moved."""

FAST_S = 0.2
"""Longest sample period at which a slip takes more than one sample."""

PARTED = 1.5
"""Angle and rate parted this much further than usual before a slip: the sensor drifts."""

JUDDERS = 3.0
"""Stops and starts within 6 s that nobody commanded: a stall has one stop and one start."""


HEAVES = 4.0
"""Changes from far below to far above the command within 6 s, and back."""

PUSHES_S, SOON_S = 5.0, 0.5
"""A current under the brake no longer than this, with motion commanded or over as the brake is
released, drove the joint."""


@dataclass(slots=True)
class Verdict:
    """The likely kind of an event."""

    kind: str
    runner_up: str
    weights: dict[str, float]
    summary: str = ""
    severity: str = "look"
    joints: tuple[str, ...] = ()
    """Of a push that several joints felt at once."""
    shaken_by: str = ""
    """The joint whose judder shook this one."""
    evidence: dict[str, Any] = field(default_factory=dict)


def attribute(event: Event, seen: Evidence) -> Verdict:
    """Weigh the kinds against each other for one event."""
    mark = event.lead.mark
    weights = _current_weights(event, seen)
    if mark is not None:
        kind = MARK_KINDS[mark.name]
        if mark.name in {"spike", "motion delay"} and judders(seen):
            kind = "stick-slip"  # a sensor's spike does not shake the joint
        if mark.name == "slip" and (seen.astray_before > PARTED or _at_a_stroke(mark)):
            kind = "angle-sensor"  # it drifted before the brake engaged, or no body is so quick
        weights = {kind: 1.0} | {k: 0.5 * v for k, v in weights.items() if k != kind}
    ranked = sorted(weights.items(), key=lambda kv: (-kv[1], kv[0]))
    kind = ranked[0][0]
    runner = ranked[1][0] if len(ranked) > 1 else "unusual"
    return Verdict(kind, runner, {k: round(float(v), 3) for k, v in ranked})


def _current_weights(event: Event, seen: Evidence) -> dict[str, float]:
    """Return a weight, about 0 to 1, for each kind that a current can show."""
    share = {k: max(v, 0.0) for k, v in seen.shares.items()}
    lead = event.lead.family
    weights = {"unusual": 0.2} | _drags(share, seen) | _sensor(share, seen)
    along = share.get("load", 0.0)
    if seen.grasp > GRASPS:  # gears take their toll of the load as well
        along = max(along, 0.9 * max(share.get("gain", 0.0), share.get("friction", 0.0)))
    weights["load"] = along * _load_trust(lead, seen)
    lag = seen.tracking if np.isfinite(seen.tracking) else 0.0
    jerks = judders(seen)
    if lag > LAGS and seen.behind_s >= max(LAGS_S, 0.2 * seen.moving_s):
        if np.isfinite(seen.push_z) and seen.push_z > PUSHES:
            weights["stall"] = 1.0 + 0.3 * min(lag, 1.0)
        elif not jerks:
            weights["angle-sensor"] = 0.7 + 0.3 * min(lag, 1.0)
    if lead == "tracking" and "stall" not in weights and not jerks:
        weights["angle-sensor"] = 0.9
    if lead == "astray":
        weights["angle-sensor"] = 1.2
    if jerks:
        weights["stick-slip"] = 1.0 + 0.1 * min(max(seen.turns, seen.heaves) / 2.0, 3.0)
    elif lead in {"stop-go", "heave"}:
        weights["stick-slip"] = 0.6 if seen.commanded else 0.9
    braked = seen.held_s > 0 and not seen.moving_s > 0
    if lead == "held" or (lead == "sample" and braked):
        weights["current-sensor"] = 1.0  # no drive, no motion: nothing but the sensor is left
        if pushes_brake(seen):
            weights["late-release"] = 1.2
    if lead == "holding":  # drag does not show where nothing moves
        weights["friction"] *= 0.4
        weights["brake-drag"] *= 0.4
        if _alike(seen.beside_held_a, seen.resting_a):
            weights["current-sensor"] = 1.0  # the brake took the drive away, and it is still there
    if lead in {"pattern", "wobble"}:  # a plain drag would have spoken before its roughness
        weights["unusual"] = 1.05
    if lead == "sample" and event.end_s - event.start_s < 1.0:
        weights["unusual"] = 0.6
    return weights


def pushes_brake(seen: Evidence) -> bool:
    """Tell whether the joint was driven against its brake until that came free."""
    return seen.seconds < PUSHES_S and (seen.pushed_held_s > 0 or seen.freed_s <= SOON_S)


def _at_a_stroke(mark: Mark) -> bool:
    """Tell whether a slip is over within one sample, before and after which nothing moves."""
    d = mark.detail
    return float(d.get("period_s", np.inf)) <= FAST_S and float(d.get("at_once", 0.0)) > AT_ONCE


def judders(seen: Evidence) -> bool:
    """Tell whether the joint stops and runs on by itself, more than this log usually shows."""
    return stops(seen) or heaves(seen)


def heaves(seen: Evidence) -> bool:
    """Tell whether the speed swings far below and above a standing command, all the time."""
    low, high = seen.swing
    return seen.heaves >= max(HEAVES, seen.usual_heaves + 2.0) and low < DIPS and high > RISES


def stops(seen: Evidence) -> bool:
    """Tell whether it comes near to a stop, again and again."""
    if seen.commanded:
        return seen.turns >= max(JUDDERS, seen.usual_turns + 1.0)
    return seen.turns >= max(JUDDERS + 1.0, seen.usual_turns + 2.0)


def _drags(share: dict[str, float], seen: Evidence) -> dict[str, float]:
    """Share the weight of drag between the joint's friction and its brake."""
    release = seen.release
    drag = share.get("friction", 0.0) * (1.0 if seen.drag_a > 0 else 0.5)
    friction, brake = 1.0, 0.5
    if release.from_release and not release.elsewhere:
        early = release.left_early and seen.moving_s > RUBS_S
        friction, brake = (0.95, 0.9) if early else (0.7, 1.0) if release.gone else (0.95, 1.0)
    if release.turned:
        friction, brake = 0.6 * friction, 0.6 * brake
    if not seen.drag_a > 0:
        brake = 0.0  # a brake helps no motion
    return {"friction": friction * drag, "brake-drag": brake * drag}


def _sensor(share: dict[str, float], seen: Evidence) -> dict[str, float]:
    """Weigh an offset or a wrong gain of the current's sensor."""
    offset, gain = share.get("offset", 0.0), share.get("gain", 0.0)
    ahead = gain - share.get("friction", 0.0) * (1.0 if seen.drag_a > 0 else 0.5)
    told = ahead > GAIN_AHEAD and ahead * seen.strength > GAIN_TOLD
    gain *= 1.05 if told else 0.45
    if seen.drag_a < -MOST_LOST * seen.expected_a:
        gain = 0.0  # nothing is left for a gain to act on: the joint did not need its current
    return {"current-sensor": max(offset * _offset_trust(seen), gain)}


def _offset_trust(seen: Evidence) -> float:
    """Say how far an offset is told apart from drag: with the brake on, or by both ways."""
    if seen.release.turned:
        return 1.0
    ways = [a for a in (seen.forward_a, seen.backward_a) if np.isfinite(a)]
    moving = float(np.mean(ways)) if ways else 0.0
    if stays_held(seen):
        return 1.1
    if np.isfinite(seen.resting_a) and moving != 0:
        same = 0.5 < seen.resting_a / moving < 1.6
        if seen.held_s > 0:
            return 1.05 if same else 0.4
        if not same and len(ways) == 1:
            return 0.4  # released and at rest, drag may leave a current behind
    return 0.95 if len(ways) == 2 else 0.6


def stays_held(seen: Evidence) -> bool:
    """Tell whether the current under the brake beside the event is off by as much, the same way."""
    ways = [a for a in (seen.forward_a, seen.backward_a) if np.isfinite(a)]
    same_way = bool(ways) and min(ways) * max(ways) > 0
    return same_way and _alike(seen.beside_held_a, float(np.mean(ways)))


def _alike(one_a: float, other_a: float) -> bool:
    known = np.isfinite(one_a) and np.isfinite(other_a) and other_a != 0
    return bool(known and ALIKE < one_a / other_a < 1.0 / ALIKE)


def _load_trust(lead: str, seen: Evidence) -> float:
    trust = 1.0 if seen.payload_kg > 0 else 0.9
    if lead == "load" and seen.payload_kg > 0:
        trust = 1.3
    if seen.load_fits > FITS:
        trust = max(trust, 1.3)
    if seen.grasp > GRASPS:
        trust *= 1.2  # it comes and goes with the payload
    if np.isfinite(seen.load_with_a) and np.isfinite(seen.load_without_a):
        # gone without the payload: then the payload is what is wrong
        trust *= 1.15 if abs(seen.load_with_a) > 2 * abs(seen.load_without_a) else 0.9
    return trust
