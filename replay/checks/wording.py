"""The facts of a finding, its sentence, and the evidence that is kept with its flag.

Amperes, degrees and seconds that can be read off the plot of the event, and
nothing that was not measured. The evidence is plain data: it does not change when
a later program judges otherwise.

Longer than 245 lines because span, facts, sentence and evidence have to say the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from replay.checks.findings import Evidence, Finding, within
from replay.checks.kind import Decision, release_spans
from replay.models.residuals import HELD, Flags, Floats, JointResiduals
from replay.signatures.gap import channels_lost
from replay.signatures.kinds import Facts
from replay.signatures.registry import BY_KIND, SHAPES
from replay.signatures.stall import Held, held_stretch, lacking
from replay.wording import clock, counted


def as_told(
    evidence: Evidence, finding: Finding, decision: Decision
) -> tuple[Finding, Held | None]:
    """Return a finding with the span that its sentence, its flag and its shading tell alike.

    It is only ever widened: a stall is found by its stops, and what stands still between
    them belongs to it. What was tested, and the finding's name, stay those of the finding.
    """
    mark = max(
        (m for m in decision.marks if m.measure == "behind"), key=lambda m: m.value, default=None
    )
    if decision.kind != "stall" or mark is None:
        return finding, None
    lead = finding.lead
    held = held_stretch(evidence.residuals.joints[lead.joint], mark)
    if held is None or held.start_s > lead.end_s or held.end_s < lead.start_s:
        return finding, None
    wide = replace(lead, start_s=min(lead.start_s, held.start_s), end_s=max(lead.end_s, held.end_s))
    return replace(finding, lead=wide), held


def _extra(
    evidence: Evidence, joint: JointResiduals, decision: Decision, held: Held | None
) -> dict[str, float]:
    """Return what a kind's sentence needs beside: the travel of a stall, the usual delay."""
    if held is not None:
        return {"due_deg": held.due_deg, "missing_deg": held.missing_deg}
    delays = [m for m in decision.marks if m.cell == "delay"]
    if decision.kind != "late-release" or not delays:
        return {}
    mark = max(delays, key=lambda m: m.value)
    usual = evidence.laws.norms_of(joint.unit, mark.measure).get(mark.cell)
    return {} if usual is None else {"usual_s": float(usual[0])}


def facts_of(
    evidence: Evidence,
    finding: Finding,
    decision: Decision,
    start: datetime,
    held: Held | None = None,
) -> Facts:
    """Measure what the sentence may say, over the finding's own span.

    ``held``: the stretch of a stall, see `as_told`.
    """
    lead = finding.lead
    joint = evidence.residuals.joints[lead.joint]
    inside = within(joint, lead.start_s, lead.end_s)
    moved = inside & ~_jumping(joint, decision)
    joints = sorted({e.joint for e in finding.events})
    return Facts(
        joint=lead.joint,
        joints=" and ".join(joints),
        span=span_text(start, lead.start_s, lead.end_s),
        shape=decision.shape,
        size=decision.size,
        size_se=decision.size_se,
        unit=SHAPES[decision.shape].unit if decision.shape else "",
        ampere=amperes(joint.as_declared() if decision.kind == "load" else joint, moved),
        marks=decision.marks,
        temperature_c=_median(joint.temperature_c[inside]),
        speed_deg_s=_median(np.abs(joint.rate_deg_s[moved & joint.plant.ok])),
        releases=decision.releases,
        payload_kg=_median(joint.payload_kg[inside]),
        extra=_extra(evidence, joint, decision, held),
    )


def _jumping(joint: JointResiduals, decision: Decision) -> Flags:
    """Return the blocks whose rate has a jump of the angle's reading in it.

    The reading jumped, the joint did not: rate, expected current and residual of such a block are
    those of a motion that never was.
    """
    out = np.zeros(joint.t_s.size, dtype=bool)
    for mark in decision.marks:
        if mark.measure == "angle step":
            out |= within(joint, mark.start_s, mark.end_s, joint.support_s)
    return out


def amperes(joint: JointResiduals, inside: Flags) -> dict[str, float]:
    """Return mean currents beyond the expected over some blocks, A; NaN: not measured."""
    way = np.sign(np.nan_to_num(joint.rate_deg_s))
    sliding = inside & joint.plant.ok
    held = inside & joint.rest.ok & (joint.state == HELD)
    told = np.sign(np.nan_to_num(joint.rate_cmd_deg_s))
    off = np.where(joint.plant.ok, joint.plant.value, joint.rest.value)
    known = inside & np.isfinite(off)
    peak = off[known][np.argmax(np.abs(off[known]))] if known.any() else np.nan
    pushing = known & (told != 0) & (joint.state != HELD)
    rest = inside & joint.rest.ok
    return {
        "drag": _mean(joint.plant.value[sliding] * way[sliding]),
        "forward": _mean(joint.plant.value[sliding & (way > 0)]),
        "backward": _mean(joint.plant.value[sliding & (way < 0)]),
        "held": _median(joint.rest.value[held]),
        "rest": _median(joint.rest.value[rest]),
        "expected": _median(np.abs(joint.expected_a[sliding])),
        "peak": float(peak),
        "push": _mean(off[pushing] * told[pushing]),
    }


def sentence(decision: Decision, facts: Facts, release: Mapping[str, float]) -> str:
    """Return the sentence of a finding: what was measured, and what speaks against another kind.

    Of a kind that is near (up to 150 times less likely) it is never said that it is not it, nor
    that it is as likely: it cannot be ruled out, and what speaks against it stands beside that.
    """
    text = BY_KIND[decision.kind].sentence(facts)
    other, against, why = _against(decision, facts, release)
    near = decision.runner_up if decision.near else None
    if near and other == near and why:
        return f"{text}; {_KIND_WORDS[near]} is not ruled out: against it speaks {why}"
    if why:
        text += f"; {against}: {why}"
    if near:
        text += f"; {_KIND_WORDS[near]} is not ruled out"
    return text


_KIND_WORDS = {
    "friction": "friction of the gear",
    "brake-drag": "drag of the brake",
    "brake-slip": "a slip of the brake",
    "late-release": "a late release",
    "stick-slip": "stick-slip",
    "stall": "something that held the joint",
    "load": "a load that differs",
    "current-sensor": "the current's sensor",
    "angle-sensor": "the angle's sensor",
    "gap": "the recorder",
    "unusual": "something unknown",
}


Against = tuple[str, str, str]
"""A kind, how it is said not to be it, and the measured reason."""


def _against(decision: Decision, facts: Facts, release: Mapping[str, float]) -> Against:
    """Return which kind something speaks against, and what; a kind without a reason is open."""
    ampere = facts.ampere
    both_ways = np.isfinite(ampere["forward"]) and np.isfinite(ampere["backward"])
    if decision.kind == "friction":
        if facts.releases > 1 and "brake-drag" in decision.nats:
            why = f"it outlasts {counted(facts.releases - 1, 'engagement')}"
            return "brake-drag", "not the brake", why
        if np.isfinite(ampere["held"]) and decision.runner_up == "current-sensor":
            why = f"{ampere['held']:+.2f} A with the brake engaged"
            return "current-sensor", "no sensor's offset", why
        if both_ways:
            return "current-sensor", "no sensor's offset", "it turns its sign with the direction"
    if decision.kind == "brake-drag":
        others = [
            f"{release[name]:+.2f} A in the release {word}"
            for name, word in (("before", "before"), ("after", "after"))
            if np.isfinite(release.get(name, np.nan))
        ]
        if others:
            return "friction", "not the gear's friction", " and ".join(others)
        if not (decision.near and decision.runner_up == "friction"):  # else it is said so
            return "", "friction cannot be excluded", "no other release tells"
    if decision.kind == "current-sensor" and decision.shape == "offset":
        if np.isfinite(ampere["held"]):
            why = f"{ampere['held']:+.2f} A is left under the brake beside it"
            return "brake-drag", "no drag", why
        if both_ways:
            return "brake-drag", "no drag", "its sign does not turn with the direction"
    return "", "", ""


def releases_round(joint: JointResiduals, inside: Flags) -> dict[str, float]:
    """Return the mean drag in the releases before and after an event, A; NaN: none."""
    spans = release_spans(joint, np.ones_like(inside))
    mine = [k for k, (blocks, _) in enumerate(spans) if (blocks & inside & joint.plant.ok).any()]
    drag = joint.plant.value * np.sign(np.nan_to_num(joint.rate_deg_s))

    def level(k: int) -> float:
        if not 0 <= k < len(spans):
            return float("nan")
        return _mean(drag[spans[k][0] & joint.plant.ok & ~inside])

    if not mine:
        return {"before": float("nan"), "after": float("nan")}
    return {"before": level(mine[0] - 1), "after": level(mine[-1] + 1)}


def evidence_of(
    finding: Finding, decision: Decision, facts: Facts, name: str, release: Mapping[str, float]
) -> dict[str, Any]:
    """Return what is kept with the lead flag."""
    lead = finding.lead
    held = [lacking(m) for m in decision.marks if m.measure == "behind"]
    if "due_deg" in facts.extra:
        held = [facts.extra["missing_deg"] / facts.extra["due_deg"]]
    swing = facts.proof("swing")
    drift = facts.proof("angle drift")
    numbers: dict[str, Any] = {
        "finding": name,
        "lead": True,
        "joints": sorted({e.joint for e in finding.events}),
        "detector": lead.statistic,
        "detector_value": round(lead.value, 2),
        "detectors": sorted(lead.statistics),
        "duration_s": round(lead.end_s - lead.start_s, 3),
        "kinds": dict(decision.nats),
        "runner_up": decision.runner_up,
        "near": decision.near,
        "shape": decision.shape or None,
        "size": _r(decision.size),
        "size_se": _r(decision.size_se),
        "size_unit": facts.unit or None,
        **{f"{n}_a": _r(facts.ampere[n]) for n in ("drag", "forward", "backward", "peak", "push")},
        "resting_a": _r(facts.ampere["rest"]),
        "held_a": _r(facts.ampere["held"]),
        "expected_a": _r(facts.ampere["expected"]),
        "speed_deg_s": _r(facts.speed_deg_s),
        "temperature_c": _r(facts.temperature_c),
        "payload_kg": _r(facts.payload_kg),
        "before_release_a": _r(release["before"]),
        "after_release_a": _r(release["after"]),
        "behind_command": _r(max(held)) if held else None,
        "stops_and_starts": 2 * int(swing.detail["stops"]) if swing else None,
        "swings": int(swing.detail["swings"]) if swing else None,
        "astray_deg": _r(drift.raw) if drift else None,
        "measures": [
            {"measure": m.measure, "value": _r(m.value), "raw": _r(m.raw)} for m in decision.marks
        ][:20],
    }
    best = max(decision.marks, key=lambda m: m.value, default=None)
    if best is not None:
        said = best.detail.get("seconds", best.detail.get("moved_deg", best.raw))
        numbers["measured"] = _r(facts.extra.get("missing_deg", said))
        numbers["measure"] = best.measure
        numbers |= {k: _r(v) for k, v in facts.extra.items()}
        if best.measure == "lost":
            numbers["channels"] = channels_lost(decision.marks, best)
        told = {*numbers, "brakes"}  # these are among the channels
        numbers |= {k: _plain(v) for k, v in best.detail.items() if k not in told}
    return numbers


def span_text(start: datetime, from_s: float, to_s: float) -> str:
    """Return ``from 09:00:01.2 to 09:00:05.0``, or ``at`` an instant."""
    begin, end = (clock(start + timedelta(seconds=s), 1) for s in (from_s, to_s))
    return f"at {begin}" if begin == end else f"from {begin} to {end}"


def _plain(value: Any) -> Any:
    """Return what JSON can carry."""
    if isinstance(value, np.generic):
        value = value.item()
    return _r(value) if isinstance(value, float) else value


def _mean(values: Floats) -> float:
    good = values[np.isfinite(values)]
    return float(np.mean(good)) if good.size else float("nan")


def _median(values: Floats) -> float:
    good = values[np.isfinite(values)]
    return float(np.median(good)) if good.size else float("nan")


def _r(value: float) -> float | None:
    return round(float(value), 4) if np.isfinite(value) else None
