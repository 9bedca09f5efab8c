"""From an event to its kind, with the runner-up, and a sentence to check it by."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from replay.checks.events import Event
from replay.checks.evidence import Evidence
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

JUDDERS = 2.0
"""Stops and starts within 6 s that nobody commanded: one stop and one start."""


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
    evidence: dict[str, Any] = field(default_factory=dict)


def attribute(event: Event, seen: Evidence) -> Verdict:
    """Weigh the kinds against each other for one event."""
    mark = event.lead.mark
    weights = _current_weights(event, seen)
    if mark is not None:
        kind = MARK_KINDS[mark.name]
        if mark.name == "spike" and seen.turns >= JUDDERS:
            kind = "stick-slip"  # a sensor's spike does not shake the joint
        if mark.name == "slip" and abs(seen.astray_deg) > 0.5 * mark.value:
            kind = "angle-sensor"  # the joint would have had a rate
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
    weights["load"] = share.get("load", 0.0) * _load_trust(lead, seen)
    lag = seen.tracking if np.isfinite(seen.tracking) else 0.0
    judders = seen.turns >= JUDDERS
    if lag > LAGS and seen.behind_s >= max(LAGS_S, 0.2 * seen.moving_s):
        if np.isfinite(seen.push_z) and seen.push_z > PUSHES:
            weights["stall"] = 0.8 + 0.4 * min(lag, 1.0)
        elif not judders:
            weights["angle-sensor"] = 0.7 + 0.3 * min(lag, 1.0)
    if lead == "push":
        weights["stall"] = max(weights.get("stall", 0.0), 1.1)
    if lead == "tracking" and "stall" not in weights and not judders:
        weights["angle-sensor"] = 0.9
    if lead == "astray":
        weights["angle-sensor"] = 1.2
    if judders:
        weights["stick-slip"] = 1.0 + 0.1 * min(seen.turns / JUDDERS, 3.0)
    elif lead == "stop-go":
        weights["stick-slip"] = 0.6
    if lead == "held" and "friction" not in share:
        weights["current-sensor"] = 0.9  # no drive, no motion: nothing but the sensor is left
    if lead == "pattern":
        weights["unusual"] = 0.7
    if lead == "sample" and event.end_s - event.start_s < 1.0:
        weights["unusual"] = 0.6
    return weights


def _drags(share: dict[str, float], seen: Evidence) -> dict[str, float]:
    """Share the weight of drag between the joint's friction and its brake."""
    release = seen.release
    drag = share.get("friction", 0.0) * (1.0 if seen.drag_a > 0 else 0.5)
    friction, brake = 1.0, 0.5
    if release.from_release and not release.elsewhere:
        friction, brake = (0.7, 1.0) if release.gone else (0.95, 0.9)
    return {"friction": friction * drag, "brake-drag": brake * drag}


def _sensor(share: dict[str, float], seen: Evidence) -> dict[str, float]:
    """Weigh an offset or a wrong gain of the current's sensor."""
    offset, gain = share.get("offset", 0.0), share.get("gain", 0.0)
    drag = share.get("friction", 0.0) if seen.drag_a > 0 else 0.5 * share.get("friction", 0.0)
    gain *= 0.95 if gain > drag + 0.03 else 0.5
    return {"current-sensor": max(offset * _offset_trust(seen), gain)}


def _offset_trust(seen: Evidence) -> float:
    """Say how far an offset is told apart from drag: at rest, or by the other direction."""
    ways = [a for a in (seen.forward_a, seen.backward_a) if np.isfinite(a)]
    moving = float(np.mean(ways)) if ways else 0.0
    if seen.resting_s >= 1.0 and np.isfinite(seen.resting_a) and moving != 0:
        return 1.05 if 0.5 < seen.resting_a / moving < 1.6 else 0.4
    return 0.95 if len(ways) == 2 else 0.6


def _load_trust(lead: str, seen: Evidence) -> float:
    trust = 1.1 if lead == "load" else 0.95
    if np.isfinite(seen.load_with_a) and np.isfinite(seen.load_without_a):
        # gone without the payload: then the payload is what is wrong
        trust *= 1.15 if abs(seen.load_with_a) > 2 * abs(seen.load_without_a) else 0.9
    return trust


def describe(verdict: Verdict, event: Event, seen: Evidence, clock: str, until: str) -> None:
    """Write the sentence, the severity and the numbers into the verdict."""
    mark = event.lead.mark
    span = f"from {clock} to {until}"
    amps = _a(seen.drag_a)
    known = np.isfinite(seen.expected_a)
    usual = f" {seen.expected_a:.2f} A" if known else ""
    against = f" (expected size{usual})" if known else ""
    heat = f" at {seen.temperature_c:.0f} °C" if np.isfinite(seen.temperature_c) else ""
    texts = {
        "friction": f"{span} the current against the motion is {amps} off the expected"
        f"{usual}{heat}, forward {_a(seen.forward_a)}, backward {_a(seen.backward_a)}",
        "brake-drag": f"{span}, from the first motion after a brake release, the current is {amps} "
        f"off the expected{usual}{heat}, with the brake reported released",
        "current-sensor": f"{span} the current is off by {_a(seen.forward_a)} forward, "
        f"{_a(seen.backward_a)} backward and {_a(seen.resting_a)} at rest{against}: "
        "the sensor rather than the joint",
        "load": f"{span} the current departs by up to {_a(seen.peak_a)} in step with the load: "
        "the payload in the log does not fit",
        "stall": f"{span} the joint runs {seen.tracking:.0%} below its commanded rate while the "
        f"current is {amps} off the expected{usual}",
        "stick-slip": f"{span} rate and current ripple: {_x(seen.rate_ratio)} the usual ripple of "
        f"the rate and {_x(seen.current_ratio)} of the current, at {seen.speed_deg_s:.2f} deg/s",
        "angle-sensor": f"{span} the measured rate departs from the command by "
        f"{seen.tracking:.0%} while the current stays as expected: the angle sensor rather than "
        "the joint",
        "unusual": f"{span} the current departs by up to {_a(seen.peak_a)} from the expected"
        f"{usual}; no known kind fits",
    }
    if event.lead.family == "astray":
        texts["angle-sensor"] = (
            f"{span} the angle travels {seen.astray_deg:+.2f} deg beyond what the logged rate "
            "adds up to: a sensor rather than the joint"
        )
    if verdict.joints:
        texts["stall"] = (
            f"{span} the current departs by up to {_a(seen.peak_a)} from the expected{usual}, on "
            f"{', '.join(verdict.joints)} at once: something held or pushed the arm"
        )
    verdict.summary = (
        _mark_text(mark, clock, until)
        if mark is not None and MARK_KINDS[mark.name] == verdict.kind
        else texts[verdict.kind]
    )
    verdict.severity = _severity(verdict.kind, event, seen)
    verdict.evidence = {
        "detector": event.lead.name,
        "detector_value": round(event.lead.value, 2),
        "detectors": sorted({c.name for c in event.members}),
        "duration_s": round(seen.seconds, 3),
        "moving_s": round(seen.moving_s, 2),
        "drag_a": _r(seen.drag_a),
        "forward_a": _r(seen.forward_a),
        "backward_a": _r(seen.backward_a),
        "resting_a": _r(seen.resting_a),
        "peak_a": _r(seen.peak_a),
        "expected_a": _r(seen.expected_a),
        "speed_deg_s": _r(seen.speed_deg_s),
        "temperature_c": _r(seen.temperature_c),
        "behind_command": _r(seen.tracking),
        "astray_deg": _r(seen.astray_deg),
        "turns": _r(seen.turns),
        "push_z": _r(seen.push_z),
        "behind_s": _r(seen.behind_s),
        "load_with_a": _r(seen.load_with_a),
        "load_without_a": _r(seen.load_without_a),
        "explains": {k: _r(v) for k, v in seen.shares.items()},
        "kinds": verdict.weights,
        "runner_up": verdict.runner_up,
    }
    if mark is not None:
        verdict.evidence["measured"] = round(mark.value, 4)
        verdict.evidence["measure"] = mark.name
        verdict.evidence |= {
            k: (_r(v) if isinstance(v, float) else v) for k, v in mark.detail.items()
        }


def _mark_text(mark: Mark, clock: str, until: str) -> str:
    d = mark.detail
    texts = {
        "silence": f"no sample from {clock} to {until} ({mark.value:.1f} s)",
        "lost channel": f"no {d.get('channel')} from {clock} to {until} ({mark.value:.1f} s)",
        "current frozen": f"the current stands at exactly {d.get('level_a', 0):.3f} A from {clock} "
        f"to {until} ({mark.value:.1f} s)",
        "angle frozen": f"the angle stands at exactly {d.get('level_deg', 0):.3f} deg from {clock} "
        f"to {until} while {abs(d.get('expected_travel_deg', 0)):.2f} deg of motion was due",
        "angle step": f"the angle steps by {d.get('step_deg', 0):+.2f} deg between two samples at "
        f"{clock}, more than the joint can move",
        "spike": f"single samples of current at {clock} stand {mark.value:.2f} A off both "
        "neighbours",
        "slip": f"with the brake engaged the angle leaves its place by {mark.value:.2f} deg "
        f"between {clock} and {until}",
        "release delay": f"the brake commanded to release at {clock} reports released "
        f"{mark.value:.2f} s later",
        "engage delay": f"the brake commanded to engage at {clock} reports engaged "
        f"{mark.value:.2f} s later",
        "motion delay": f"motion asked for at {clock} after a brake release starts "
        f"{mark.value:.2f} s later",
        "brake chatter": f"the brake state changes {mark.value:.0f} times within 2 s from {clock}",
    }
    return texts[mark.name]


def _severity(kind: str, event: Event, seen: Evidence) -> str:
    size = abs(seen.drag_a) / seen.expected_a if seen.expected_a > 0 else 0.0
    if kind == "brake-slip":
        return "act"
    if kind == "stall":
        return "act" if seen.tracking > 0.5 else "look"
    if kind in {"friction", "brake-drag"}:
        return "act" if size > 0.5 else "look"
    if kind == "gap":
        return "look" if event.lead.mark is not None and event.lead.mark.value >= 5 else "note"
    if kind == "unusual":
        return "note"
    return "look"


def _a(value: float) -> str:
    return f"{value:+.2f} A" if np.isfinite(value) else "not measured"


def _x(value: float) -> str:
    return f"{value:.1f} times" if np.isfinite(value) else "an unknown multiple of"


def _r(value: float) -> float | None:
    return round(float(value), 4) if np.isfinite(value) else None
