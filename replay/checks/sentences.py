"""A sentence for each flag: what was measured, and what speaks against the runner-up.

Amperes, degrees and seconds that can be read off the plot of the event, and
nothing that was not measured.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from replay.checks.attribution import GRASPS, MARK_KINDS, Verdict, stays_held, stops
from replay.checks.events import Event
from replay.checks.evidence import Evidence
from replay.models.symptoms.marks import Mark

PLAIN = 5.0
"""From this score on something did happen, whatever it was."""

CLOSE = 0.45
"""A runner-up of less than this share of the winner's weight is not worth a word."""


def describe(verdict: Verdict, event: Event, seen: Evidence, clock: str, until: str) -> None:
    """Write the sentence, the severity and the numbers into the verdict."""
    mark = event.lead.mark
    if mark is not None and MARK_KINDS[mark.name] == verdict.kind:
        verdict.summary = _mark_text(mark, clock, until)
    else:
        verdict.summary = _text(verdict, event, seen, f"from {clock} to {until}")
        why = _against(verdict, seen)
        if why:
            verdict.summary += f"; {why}"
    verdict.severity = _severity(verdict.kind, event, seen)
    verdict.evidence = _numbers(verdict, event, seen)


def _text(verdict: Verdict, event: Event, seen: Evidence, span: str) -> str:
    usual = f" {seen.expected_a:.2f} A" if np.isfinite(seen.expected_a) else ""
    heat = f" at {seen.temperature_c:.0f} °C" if np.isfinite(seen.temperature_c) else ""
    at_speed = f" at {seen.speed_deg_s:.2f} deg/s" if np.isfinite(seen.speed_deg_s) else ""
    peak = f"the current departs by up to {abs(seen.peak_a):.2f} A from the expected{usual}"
    kind = verdict.kind
    if verdict.shaken_by:
        return f"{span} {peak} while {verdict.shaken_by} moves in jerks: shaken by it"
    if kind == "gap" and event.lead.mark is not None:
        return (
            f"{span} the recorder repeats itself: on {' and '.join(verdict.joints)} every value "
            f"stands still for {event.lead.mark.value:.1f} s"
        )
    if verdict.joints:
        return (
            f"{span} {peak}, on {', '.join(verdict.joints)} at once: something held or pushed "
            "the arm"
        )
    if kind == "friction":
        return f"{span} the motion takes {_more(seen.drag_a)}{usual}{heat}{_ways(seen)}"
    if kind == "brake-drag":
        return (
            f"{span}, from the first motion after a brake release, the motion takes "
            f"{_more(seen.drag_a)}{usual}{heat}, with the brake reported released"
        )
    if kind == "current-sensor":
        return _sensor_text(seen, span, usual, event)
    if kind == "load":
        known = seen.payload_kg > 0
        tale = f"the payload of {seen.payload_kg:.0f} kg in the log does not fit"
        other = "a load that the log does not tell of, or a drag that goes with it"
        size = f" ({_a(seen.load_with_a)} at the usual load)" if known else ""
        return f"{span} {peak} in step with the load{size}: {tale if known else other}"
    if kind == "stall":
        push = f" while it pushes with {_a(seen.push_a)} more than that takes"
        way = f"{seen.tracking:.0%} below its commanded rate" if seen.behind_s > 0 else ""
        if way:
            return f"{span} the joint runs {way}{push if np.isfinite(seen.push_a) else ''}"
        return f"{span} {peak}, then it is over: something held or pushed the joint"
    if kind == "late-release":
        return _pushed_text(seen, span)
    if kind == "stick-slip" and not stops(seen) and np.isfinite(seen.swing[0]):
        low, high = seen.swing
        return (
            f"{span} the speed swings between {low:.0%} and {high:.0%} of the commanded one, "
            f"{seen.heaves / 2:.0f} times in 6 s{at_speed}{_rough(seen)}"
        )
    if kind == "stick-slip":
        return (
            f"{span} the joint stops and runs on {max(seen.turns / 2, 1):.0f} times within 6 s"
            f"{' uncommanded' if seen.commanded else ''}{at_speed}{_rough(seen)}"
        )
    if kind == "angle-sensor":
        if event.lead.family == "astray":
            return (
                f"{span} the angle travels {seen.astray_deg:+.2f} deg beyond what the logged rate "
                "adds up to: a sensor rather than the joint"
            )
        if event.lead.mark is not None:
            return (
                f"{span} the angle moves by {event.lead.mark.value:.2f} deg under an engaged "
                "brake as no body can: the angle sensor rather than the brake"
            )
        if np.isfinite(seen.tracking):
            return (
                f"{span} the measured rate departs from the command by {seen.tracking:.0%} while "
                "the current stays as expected: the angle sensor rather than the joint"
            )
    return f"{span} {peak}{_rough(seen)}; no known kind fits"


def _pushed_text(seen: Evidence, span: str) -> str:
    amps = seen.pushed_a if np.isfinite(seen.pushed_a) else seen.resting_a
    asked = f", {seen.pushed_held_s:.1f} s after motion was commanded" if seen.pushed_held_s else ""
    free = ", until the brake is reported released" if np.isfinite(seen.freed_s) else ""
    return (
        f"{span} the motor draws {abs(amps):.2f} A against the engaged brake{asked}{free}: "
        "it comes free late"
    )


def _sensor_text(seen: Evidence, span: str, usual: str, event: Event) -> str:
    parts = [
        f"{_a(value)} {word}"
        for value, word in (
            (seen.forward_a, "forward"),
            (seen.backward_a, "backward"),
            (seen.resting_a, "with the brake engaged" if seen.held_s > 0 else "at rest"),
        )
        if np.isfinite(value)
    ]
    off = ", ".join(parts) if parts else f"up to {abs(seen.peak_a):.2f} A"
    if _is_gain(seen) and seen.expected_a > 0 and np.isfinite(seen.drag_a):
        return (
            f"{span} the current is {seen.drag_a / seen.expected_a:+.0%} off in proportion to the "
            f"expected{usual} ({off}): the sensor's gain rather than the joint"
        )
    beside = f" (expected{usual})" if usual else ""
    return f"{span} the current is off by {off}{beside}: the sensor rather than the joint"


def _is_gain(seen: Evidence) -> bool:
    """Tell whether a wrong gain is the better account; an offset would stay under the brake."""
    offset = seen.shares.get("offset", 0.0)
    if np.isfinite(seen.beside_held_a) and not stays_held(seen):
        offset *= 0.5
    return seen.shares.get("gain", 0.0) > offset


def _against(verdict: Verdict, seen: Evidence) -> str:
    """Say what speaks against the runner-up, where it came close."""
    kind, other = verdict.kind, verdict.runner_up
    weight = verdict.weights
    if verdict.joints or verdict.shaken_by or other not in weight:
        return ""
    if weight[other] < CLOSE * weight.get(kind, 1.0):
        return ""
    release = seen.release
    if {kind, other} == {"friction", "brake-drag"}:
        return _release_text(kind, seen)
    if kind in {"friction", "brake-drag"} and other == "current-sensor":
        if np.isfinite(seen.forward_a) and np.isfinite(seen.backward_a):
            return "no sensor's offset: it turns its sign with the direction"
        if seen.held_s > 0:
            return f"no sensor's offset: {_a(seen.resting_a)} with the brake engaged"
        if np.isfinite(seen.beside_held_a):
            return f"no sensor's offset: {_a(seen.beside_held_a)} under the brake beside it"
        return "a sensor's offset would look the same in one direction"
    if kind == "current-sensor" and other in {"friction", "brake-drag"}:
        if stays_held(seen):
            return f"no drag: {_a(seen.beside_held_a)} is left under the brake beside it"
        if release.turned:
            return "no drag: in the next release it helps the motion as much"
        if _is_gain(seen):
            if seen.shares.get("friction", 0.0) >= seen.shares.get("gain", 0.0):
                return "less friction would fit as well, but seldom comes by itself"
            return (
                f"a constant drag explains {_share(seen, 'friction', 'gain')} of what a gain does"
            )
        if np.isfinite(seen.forward_a) and np.isfinite(seen.backward_a):
            return "no drag: its sign does not turn with the direction"
        if seen.drag_a < 0:
            return "no drag: it helps the motion"
        return "drag would look the same in one direction"
    if kind == "load":
        drag, load = seen.shares.get("friction", 0.0), seen.shares.get("load", 0.0)
        if drag >= load:
            aboard = "it comes and goes with the payload; " if seen.grasp > GRASPS else ""
            return f"{aboard}a drag would fit as well"
        return f"a constant drag explains {_share(seen, 'friction', 'load')} of what a load does"
    if kind in {"friction", "brake-drag"} and other == "load" and np.isfinite(seen.load_without_a):
        return f"a load explains {_share(seen, 'load', 'friction')} of what a drag does"
    if kind == "stall":
        return "drag alone does not keep a joint from its commanded rate"
    return ""


def _release_text(kind: str, seen: Evidence) -> str:
    release = seen.release
    others = [
        f"{_a(level)} in the release {word}"
        for level, word in ((release.before_a, "before"), (release.after_a, "after"))
        if np.isfinite(level)
    ]
    beside = " and ".join(others)
    if kind == "brake-drag":
        return f"not the gear's friction: {beside}" if beside else "friction cannot be excluded"
    if release.count > 1:
        return f"not the brake: it outlasts {release.count - 1} engagement" + (
            "s" if release.count > 2 else ""
        )
    if not release.known:
        return ""
    if not release.from_release:
        return f"not the brake: {_a(release.head_a)} in the {release.head_s:.0f} s of motion before"
    if release.elsewhere:
        return f"not the brake: {beside}"
    return "drag of the brake cannot be excluded"


def _share(seen: Evidence, name: str, of: str) -> str:
    return f"{seen.shares.get(name, 0.0) / max(seen.shares.get(of, 0.0), 1e-9):.0%}"


def _ways(seen: Evidence) -> str:
    parts = [
        f"{word} {_a(value)}"
        for word, value in (("forward", seen.forward_a), ("backward", seen.backward_a))
        if np.isfinite(value)
    ]
    return f", {', '.join(parts)}" if parts else ""


def _rough(seen: Evidence) -> str:
    parts = [
        f"{what} {ratio:.1f} times as rough as usual"
        for what, ratio in (("rate", seen.rate_ratio), ("current", seen.current_ratio))
        if np.isfinite(ratio) and ratio > 1.2
    ]
    return f", {' and '.join(parts)}" if parts else ""


def _numbers(verdict: Verdict, event: Event, seen: Evidence) -> dict[str, Any]:
    release = seen.release
    numbers = {
        "detector": event.lead.name,
        "detector_value": round(event.lead.value, 2),
        "detectors": sorted({c.name for c in event.members}),
        "duration_s": round(seen.seconds, 3),
        "moving_s": round(seen.moving_s, 2),
        "drag_a": _r(seen.drag_a),
        "forward_a": _r(seen.forward_a),
        "backward_a": _r(seen.backward_a),
        "resting_a": _r(seen.resting_a),
        "braked_s": _r(seen.held_s),
        "peak_a": _r(seen.peak_a),
        "expected_a": _r(seen.expected_a),
        "speed_deg_s": _r(seen.speed_deg_s),
        "temperature_c": _r(seen.temperature_c),
        "behind_command": _r(seen.tracking),
        "behind_s": _r(seen.behind_s),
        "push_a": _r(seen.push_a),
        "stops_and_starts": _r(seen.turns),
        "swings": _r(seen.heaves),
        "astray_deg": _r(seen.astray_deg),
        "before_release_a": _r(release.before_a),
        "after_release_a": _r(release.after_a),
        "load_with_payload_a": _r(seen.load_with_a),
        "load_without_payload_a": _r(seen.load_without_a),
        "explains": {k: _r(v) for k, v in seen.shares.items()},
        "kinds": verdict.weights,
        "runner_up": verdict.runner_up,
    }
    mark = event.lead.mark
    if mark is not None:
        numbers["measured"] = round(mark.value, 4)
        numbers["measure"] = mark.name
        numbers |= {k: (_r(v) if isinstance(v, float) else v) for k, v in mark.detail.items()}
    return numbers


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
        "release delay": f"motion is commanded from {clock}, the brake reports released "
        f"{mark.value:.2f} s later"
        if mark.detail.get("by_motion")
        else f"the brake commanded to release at {clock} reports released {mark.value:.2f} s later",
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
        return "look" if event.score >= PLAIN else "note"
    return "look"


def _more(value: float) -> str:
    if value < 0:
        return f"{-value:.2f} A less than the expected"
    return f"{_a(value)} beyond the expected"


def _a(value: float) -> str:
    return f"{value:+.2f} A" if np.isfinite(value) else "not measured"


def _r(value: float) -> float | None:
    return round(float(value), 4) if np.isfinite(value) else None
