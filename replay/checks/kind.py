"""What kind of fault a finding is: the one place where that is decided.

All kinds are compared over the same span of the lead joint, with the same colour
of the noise. A kind's nats are those of the marks it is the cause of, those that its
best shape explains of the residuals outside of these marks, and, inside of
them, whatever is there: a sensor that is proven stuck disturbs residuals in
any shape. Two kinds within the setting ``near_nats`` are both named.

Longer than 245 lines because no second place may set a kind.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from replay.checks.findings import Event, Evidence, Finding, marks_beside, together, within
from replay.checks.likelihood import MEAN_S, Noise, gain, terms
from replay.checks.limits.noise import EVERYONE
from replay.models.residuals import Flags, JointResiduals
from replay.settings import setting
from replay.signatures.kinds import Signature
from replay.signatures.marks import Mark
from replay.signatures.registry import SHAPES, SIGNATURES

NATS = float(np.log(10.0))
ENDS_S = 2.5
"""So much motion of a release may lie outside of its drag: speeding up and slowing down."""

WIDE_SD = 100.0
"""What tells kinds apart is the shape of large residuals too; only wild samples are cut."""


@dataclass(frozen=True, slots=True)
class Decision:
    """A kind, its best shape with its size, and what every kind explains, in nats."""

    kind: str
    shape: str
    size: float
    size_se: float
    nats: Mapping[str, float]
    runner_up: str | None
    near: bool
    marks: tuple[Mark, ...]
    """The marks that this kind is the cause of."""
    releases: int


@dataclass(frozen=True, slots=True)
class _Case:
    """One kind's account of a finding."""

    nats: float
    shape: str = ""
    size: float = float("nan")
    size_se: float = float("nan")
    marks: tuple[Mark, ...] = ()


def decide(evidence: Evidence, finding: Finding) -> Decision:
    """Return the kind of a finding."""
    lead = finding.lead
    joint = evidence.residuals.joints[lead.joint]
    inside = within(joint, lead.start_s, lead.end_s)
    marks = marks_in(evidence, lead)
    spans = release_spans(joint, inside)
    cases = {
        s.kind: _account(s, evidence, finding, joint, inside, marks, spans) for s in SIGNATURES
    }
    if finding.everywhere:
        gap = cases["gap"]
        top = max(c.nats for c in cases.values())
        cases["gap"] = _Case(top + 2 * setting("near_nats"), marks=gap.marks or _of_recorder(lead))
    order = sorted(cases, key=lambda k: -cases[k].nats)
    best, other = order[0], order[1]
    found = cases[best]
    near = found.nats - cases[other].nats < setting("near_nats")
    return Decision(
        kind=best,
        shape=found.shape,
        size=found.size,
        size_se=found.size_se,
        nats={k: round(float(cases[k].nats), 2) for k in order if cases[k].nats > 0},
        runner_up=other if cases[other].nats > 0 else None,
        near=bool(near and cases[other].nats > 0),
        marks=found.marks,
        releases=len(spans),
    )


def _of_recorder(event: Event) -> tuple[Mark, ...]:
    """Return the longest freeze of an event as what it was: the recorder repeated itself."""
    frozen = [m for m in event.marks if m.measure in {"current frozen", "angle frozen"}]
    longest = max(frozen or event.marks, key=lambda m: m.end_s - m.start_s)
    return (replace(longest, measure="repeats"),)


def marks_in(evidence: Evidence, event: Event) -> list[tuple[Mark, float]]:
    """Return the joint's marks in and beside an event, its own among them whatever they score."""
    seen = evidence.marks.get(event.joint, [])
    near = {id(m) for m, _ in marks_beside(seen, event.start_s, event.end_s)}
    near |= {id(m) for m in event.marks}
    return [(m, s) for m, s in seen if id(m) in near]


def _account(
    kind: Signature,
    evidence: Evidence,
    finding: Finding,
    joint: JointResiduals,
    inside: Flags,
    marks: list[tuple[Mark, float]],
    spans: list[tuple[Flags, bool]],
) -> _Case:
    weights = [kind.claims(m, [o for o, _ in marks]) for m, _ in marks]
    claimed = [(m, s, w) for (m, s), w in zip(marks, weights, strict=True) if w > 0]
    nats = sum(w * s * NATS for _, s, w in claimed)
    taken = np.zeros_like(inside)
    for mark, _, weight in claimed:
        if weight >= 0.5:
            taken |= within(joint, mark.start_s, mark.end_s, joint.support_s)
    if taken.any():
        nats += max(
            0.0,
            max((_gain(evidence, joint, n, inside & taken)[0] for n in SHAPES), default=0.0)
            - setting("near_nats"),
        )
    best = _Case(0.0)
    left = inside & ~taken
    ends = _free_ends(joint, inside)
    mean = _gain(evidence, joint, "friction", left)
    base = mean[0] if mean[1] > 0 else 0.0
    lasts_s = float(inside.sum()) * joint.step_s
    for shape in kind.shapes if claimed or not kind.only_beside else ():
        least_s = max(shape.least_s, setting("growth_s") if shape.grows else 0.0)
        if not least_s <= lasts_s <= shape.most_s:
            continue
        if shape.shared:
            found = _shared(evidence, finding, shape.name)
        elif kind.kind == "brake-drag":
            found = _one_release(evidence, joint, shape.name, inside, spans)
        else:
            found = _gain(evidence, joint, shape.name, left)
            if shape.energy:  # what swings also has a mean
                found = (found[0] + base, *found[1:])
        if shape.positive and found[1] < 0:
            continue
        if kind.kind != "brake-drag":  # the brake says when; any other fault may begin anywhere
            found = (found[0] - ends, *found[1:])
        if found[0] > best.nats:
            best = _Case(found[0], shape.name, found[1], found[2])
    together = _together(finding)
    price = 2 * setting("near_nats") if kind.needs_mark and not claimed else 0.0
    if together:  # sensors, gears and brakes of several joints do not fail in one second
        price = 0.0 if kind.kind == "stall" else price + 2 * setting("near_nats")
    return _Case(
        max(nats + best.nats - price, 0.0),
        best.shape,
        best.size,
        best.size_se,
        tuple(m for m, _, _ in claimed),
    )


def _together(finding: Finding) -> bool:
    """Tell whether several joints were shaken in the same second, and shortly."""
    return not finding.shared and any(together(finding.lead, e) for e in finding.members)


def _noise(evidence: Evidence, joint: JointResiduals, name: str) -> Noise | None:
    """Return a shape's noise with the colour that every shape is compared by."""
    own = evidence.noise(joint.joint, name)
    by = evidence.laws.noise.get(joint.unit, {})
    if own is None or not by:
        return None
    if SHAPES[name].energy:
        return own
    plain = [n.longest for s, n in by.items() if not SHAPES[s].energy]
    return Noise((max(plain),), own.omega)


def _gain(
    evidence: Evidence, joint: JointResiduals, name: str, inside: Flags
) -> tuple[float, float, float]:
    shape = SHAPES[name]
    if shape.shared or not inside.any():
        return 0.0, float("nan"), float("nan")
    noise = _noise(evidence, joint, name)
    if noise is None:
        return 0.0, float("nan"), float("nan")
    if shape.energy:
        part = evidence.terms[joint.joint, name]
        inside = _inner(inside, max(1, round(MEAN_S / joint.step_s)))
        if inside.sum() * joint.step_s < MEAN_S:
            return 0.0, float("nan"), float("nan")
    else:
        part = terms(shape, joint, clip_sd=WIDE_SD)
    if shape.grows:
        where = np.flatnonzero(inside)
        rise = np.clip((np.arange(inside.size) - where[0]) / max(np.ptp(where), 1), 0.0, 1.0)
        part = type(part)(part.along * rise, part.energy * rise**2, part.doubt * rise)
    return gain(part, inside, noise)


def _inner(inside: Flags, blocks: int) -> Flags:
    """Return a span without its ends: a step of the residual there is no swing."""
    whole = np.convolve(inside.astype(np.int64), np.ones(2 * blocks + 1, dtype=np.int64), "same")
    return np.asarray(whole == 2 * blocks + 1)


def _shared(evidence: Evidence, finding: Finding, name: str) -> tuple[float, float, float]:
    """Return what one size on all joints explains over the finding's span."""
    nothing = (0.0, float("nan"), float("nan"))
    part = evidence.terms.get((EVERYONE, name))
    noise = evidence.noise(EVERYONE, name)
    joint = evidence.residuals.joints[finding.lead.joint]
    if part is None or noise is None:
        return nothing
    inside = within(joint, finding.lead.start_s, finding.lead.end_s)[: part.along.size]
    by = evidence.laws.noise.get(joint.unit, {})
    phi = max([noise.longest, *(n.longest for s, n in by.items() if not SHAPES[s].energy)])
    return gain(part, inside, Noise((phi,), noise.omega))


def release_spans(joint: JointResiduals, inside: Flags) -> list[tuple[Flags, bool]]:
    """Return the releases that some blocks fall into, and whether both their ends were seen."""
    engaged = joint.engaged == 1
    known = (joint.engaged >= 0).any()
    if not known:
        return []
    number = np.cumsum(np.diff(engaged.astype(np.int8), prepend=engaged[:1].astype(np.int8)) != 0)
    spans = []
    for k in np.unique(number[inside & ~engaged]):
        blocks = number == k
        rows = np.flatnonzero(blocks)
        spans.append((blocks, bool(rows[0] > 0 and rows[-1] < engaged.size - 1)))
    return spans


def _one_release(
    evidence: Evidence,
    joint: JointResiduals,
    name: str,
    left: Flags,
    spans: list[tuple[Flags, bool]],
) -> tuple[float, float, float]:
    """Return what drag from one release to the next engagement explains, the best of them."""
    best = (0.0, float("nan"), float("nan"))
    for blocks, both in spans:
        moved = blocks & joint.plant.ok
        outside = moved & ~left
        if outside.sum() * joint.step_s <= ENDS_S:  # starting and slowing down say little
            moved = moved & left
            blocks = blocks & ~outside
        if (moved & left).sum() < 0.5 * max(moved.sum(), 1):
            continue  # most of the motion of this release is as ever
        found = _gain(evidence, joint, name, blocks)
        if both and found[1] > 0 and found[0] > best[0]:
            best = found
    return best


def _free_ends(joint: JointResiduals, inside: Flags) -> float:
    """Return the price of an onset and an end that could have been anywhere, in nats.

    One of as many places as the session has windows of this length; an end of the
    session costs nothing.
    """
    rows = np.flatnonzero(inside)
    if not rows.size:
        return 0.0
    places = np.log(max(inside.size / rows.size, 1.0)) + 1.0
    sliding = np.flatnonzero(joint.plant.ok)
    if not sliding.size:
        return 0.0
    ends = int(rows[0] > sliding[0] + 2) + int(rows[-1] < sliding[-1] - 2)
    return float(places * ends)
