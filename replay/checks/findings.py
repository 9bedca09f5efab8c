"""From windows and marks beyond the limit to findings: what, where, from when to when.

On each joint the rarest window is taken, its onset and end sought, its blocks
left out, and so on until nothing is beyond the limit; marks that lie in it or
beside it belong to it. What joints show together and one cause explains is one
finding with one lead joint. None of this knows what kind of fault it is.

Longer than 245 lines because events, recorder, shared causes and joining decide by one order.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from replay.checks.likelihood import Noise, Terms, gain, stretch, windows
from replay.checks.limits.calibration import Calibration
from replay.checks.limits.extreme_values import statistic
from replay.checks.limits.noise import EVERYONE, shape_terms
from replay.checks.reading import SeenBy
from replay.models.residuals import Flags, JointResiduals, SessionResiduals
from replay.settings import setting
from replay.signatures.marks import Mark, valued
from replay.signatures.registry import MEASURES, SHAPES, claimed

MOST = 12
"""Events on one joint; beyond that a session is odd as a whole."""

SHORT_S = 8.0
"""What holds or pushes an arm is over by then, or it is no push (common practice, no source)."""

BESIDE_S = 1.0
"""Marks and windows this close are one event: half a window of the slowest measure."""


SELDOM = 0.7
"""Score from which a mark beside a finding counts: one healthy joint-hour in five shows such."""


@dataclass(frozen=True, slots=True)
class Event:
    """What one joint showed."""

    joint: str
    start_s: float
    end_s: float
    score: float
    statistic: str
    value: float
    marks: tuple[Mark, ...] = ()
    statistics: frozenset[str] = frozenset()
    windowed: bool = False
    """A window of the residuals is beyond the limit by itself."""

    @property
    def reach(self) -> tuple[float, float]:
        """From where to where its marks reach."""
        spans = [(m.start_s, m.end_s) for m in self.marks]
        return (
            min([self.start_s, *(a for a, _ in spans)]),
            max([self.end_s, *(b for _, b in spans)]),
        )

    @property
    def proven(self) -> bool:
        """A mark in it is the cause of whatever else is there."""
        return any(MEASURES[m.measure].proof and MEASURES[m.measure].sought for m in self.marks)

    def overlap(self, other: Event) -> float:
        """Return the common time as a share of the shorter one."""
        common = min(self.end_s, other.end_s) - max(self.start_s, other.start_s)
        shorter = min(self.end_s - self.start_s, other.end_s - other.start_s)
        return float(np.clip(common / max(shorter, 1e-3), 0.0, 1.0)) if common >= 0 else 0.0

    def joined(self, other: Event) -> Event:
        """Return one event of this and another of the same joint."""
        one = self
        if other.score > self.score:
            one = replace(self, score=other.score, statistic=other.statistic, value=other.value)
        start_s, end_s = _span(self, other)
        return replace(
            one,
            start_s=start_s,
            end_s=end_s,
            marks=self.marks + other.marks,
            statistics=self.statistics | other.statistics,
            windowed=self.windowed or other.windowed,
        )


def _span(one: Event, other: Event) -> tuple[float, float]:
    """Return from when to when: windows of slow measures reach beyond what they found."""
    loose = [e for e in (one, other) if not e.windowed and not e.proven]
    firm = [e for e in (one, other) if e.windowed or e.proven]
    if firm and loose:
        return firm[0].start_s, firm[0].end_s
    if len(loose) == 2:  # of windows the shorter and the rarer tell more
        best = max(loose, key=lambda e: (e.score, e.start_s - e.end_s))
        return best.start_s, best.end_s
    if one.windowed and other.windowed:
        strong, weak = sorted((one, other), key=lambda e: -abs(e.value))
        if abs(weak.value) < setting("shaken") * abs(strong.value):
            return strong.start_s, strong.end_s  # what was left over beside it
    return min(one.start_s, other.start_s), max(one.end_s, other.end_s)


def together(one: Event, other: Event) -> bool:
    """Tell whether two joints were shaken within the same few seconds, and shortly.

    Two joints do not fail by themselves within one push, whatever each of them shows.
    """
    return (
        one.joint != other.joint
        and max(one.end_s, other.end_s) - min(one.start_s, other.start_s) <= SHORT_S
    )


@dataclass(frozen=True, slots=True)
class Finding:
    """Events that one cause explains; ``lead`` is decided before the kind."""

    lead: Event
    members: tuple[Event, ...] = ()
    shared: str = ""
    """Name of a shape that acts on all joints at once, where that explains it best."""
    everywhere: bool = False
    """The recorder, not a joint."""

    @property
    def events(self) -> list[Event]:
        """All events, the lead first."""
        return [self.lead, *self.members]

    def name(self, session: str) -> str:
        """Return the finding's identity: the group of its flags."""
        text = f"{session}|{self.lead.joint}|{self.lead.start_s:.3f}|{self.lead.statistic}"
        return "G" + hashlib.sha256(text.encode()).hexdigest()[:8]


@dataclass(frozen=True)
class Evidence:
    """Everything that findings and kinds are decided by, of one session."""

    residuals: SessionResiduals
    terms: Mapping[tuple[str, str], Terms]
    """By joint (`EVERYONE` for shared shapes) and shape."""
    marks: Mapping[str, list[tuple[Mark, float]]]
    """By joint: marks with their scores, beyond the limit or not."""
    laws: Calibration

    def noise(self, joint: str, shape: str) -> Noise | None:
        """Return a shape's noise on the unit at a joint."""
        unit = EVERYONE if joint == EVERYONE else self.residuals.joints[joint].unit
        return self.laws.noise_of(unit, SHAPES[shape])


def gather(residuals: SessionResiduals, seen: SeenBy, laws: Calibration) -> Evidence:
    """Score every mark and sum up every shape."""
    terms = {(joint, name): part for (joint, _, name), (part, _) in shape_terms(residuals).items()}
    marks: dict[str, list[tuple[Mark, float]]] = {}
    for joint, by in seen.items():
        if joint not in residuals.joints:
            continue
        unit = residuals.joints[joint].unit
        into = marks.setdefault(joint, [])
        for measure, one in by.items():
            found = [m for m in valued(one.marks, laws.norms_of(unit, measure)) if m.value > 0]
            if found:
                for mark in found:
                    name = MEASURES[measure].statistic(mark)
                    into.append((mark, float(laws.score(name, np.array(mark.value)))))
        marks[joint] = _witnessed(into)
    return Evidence(residuals, terms, marks, laws)


def _witnessed(marks: list[tuple[Mark, float]]) -> list[tuple[Mark, float]]:
    """Leave out what was measured across a hole: nobody saw the motion that it speaks of."""
    holes = [
        m
        for m, score in marks
        if score > HOLE_SCORE
        and (m.measure == "silence" or (m.measure == "lost" and m.cell in _OF_MOTION))
    ]

    def blind(mark: Mark) -> bool:
        least = setting("overlap") * (mark.end_s - mark.start_s)
        return any(
            h.start_s <= mark.start_s < h.end_s
            or min(mark.end_s, h.end_s) - max(mark.start_s, h.start_s) > max(least, 0.0)
            for h in holes
        )

    return [(m, s) for m, s in marks if m.measure in _OF_RECORDER or not blind(m)]


def find(evidence: Evidence, limit: float) -> list[Finding]:
    """Return a session's findings, the rarest first."""
    by_joint = {
        name: joint_events(evidence, joint, limit)
        for name, joint in evidence.residuals.joints.items()
    }
    events = [e for found in by_joint.values() for e in found]
    findings, events = _recorder(events, evidence.residuals)
    shared, events = _shared(evidence, events, limit)
    findings += shared
    findings += _joined(events)
    return sorted(findings, key=lambda f: -f.lead.score)


def joint_events(evidence: Evidence, joint: JointResiduals, limit: float) -> list[Event]:
    """Return the events of one joint, in time."""
    seen = evidence.marks.get(joint.joint, [])
    rare = [
        (m, s) for m, s in seen if s >= limit and MEASURES[m.measure].sought and _known(m, seen)
    ]
    events = _clusters(joint.joint, rare)
    free = np.zeros(joint.t_s.size, dtype=bool)
    for event in events:
        for mark in event.marks:
            if MEASURES[mark.measure].proof:
                free |= within(joint, mark.start_s, mark.end_s, joint.support_s)
    while len(events) < MOST:
        found = _rarest(evidence, joint, free, limit)
        if found is None:
            break
        event, blocks = found
        free |= blocks
        events.append(event)
    also = [
        (m, s)
        for m, s in evidence.marks.get(joint.joint, [])
        if s >= limit and not MEASURES[m.measure].sought
    ]
    return [_with_marks(e, also) for e in _merged(events)]


def _known(mark: Mark, seen: Sequence[tuple[Mark, float]]) -> bool:
    """Tell whether a kind accounts for the whole of a mark, with what lies beside it.

    What no kind is the cause of is odd, but nothing that anybody could say more of.
    """
    return claimed(mark, [m for m, _ in marks_beside(seen, mark.start_s, mark.end_s)]) >= 1.0


def marks_beside(
    seen: Sequence[tuple[Mark, float]], start_s: float, end_s: float
) -> list[tuple[Mark, float]]:
    """Return the marks within a second of a span that score `SELDOM`."""
    return [
        (m, s)
        for m, s in seen
        if s > SELDOM and m.end_s >= start_s - BESIDE_S and m.start_s <= end_s + BESIDE_S
    ]


def _with_marks(event: Event, marks: Sequence[tuple[Mark, float]]) -> Event:
    """Return an event with the marks that lie in it; it is as rare as the rarest of them."""
    inside = [(m, s) for m, s in marks if m.end_s >= event.start_s and m.start_s <= event.end_s]
    return replace(
        event,
        marks=event.marks + tuple(m for m, _ in inside),
        score=max([event.score, *(s for _, s in inside)]),
    )


def within(joint: JointResiduals, start_s: float, end_s: float, margin_s: float = 0.0) -> Flags:
    """Return the blocks that a span touches."""
    half = 0.5 * joint.step_s + margin_s
    return np.asarray((joint.t_s >= start_s - half) & (joint.t_s <= end_s + half))


def _rarest(
    evidence: Evidence, joint: JointResiduals, free: Flags, limit: float
) -> tuple[Event, Flags] | None:
    best: tuple[float, str, float, int, int, float] | None = None
    for name, shape in SHAPES.items():
        sought = shape.sought and not shape.shared
        noise = evidence.noise(joint.joint, name) if sought else None
        if noise is None:
            continue
        part = evidence.terms[joint.joint, name].without(free)
        for found in windows(part, joint.step_s, grows=shape.grows, least_s=shape.least_s):
            z = found.z(noise)
            k = int(np.argmax(np.abs(z)))
            score = float(evidence.laws.score(statistic(name, found.band), np.abs(z[k])))
            if score >= limit and (best is None or (score, abs(z[k])) > (best[0], abs(best[2]))):
                size = float(found.along[k] / found.energy[k])
                at = (int(found.first[k]), int(found.stop[k]))
                best = (score, name, float(z[k]), *at, size)
    if best is None:
        return None
    score, found_by, z_best, first, stop, _ = best
    name, first, stop, size = _likeliest(evidence, joint, free, (first, stop))
    noise = evidence.noise(joint.joint, name)
    part = evidence.terms[joint.joint, name].without(free)
    if not SHAPES[name].grows and not SHAPES[name].energy and noise is not None:
        first, stop = stretch(part, size, noise, first, stop)
    blocks = np.zeros(joint.t_s.size, dtype=bool)
    blocks[first:stop] = True
    margin = max(1, round(joint.support_s / joint.step_s))
    around = np.zeros_like(blocks)
    around[max(0, first - margin) : stop + margin] = True
    half = 0.5 * joint.step_s
    start_s, end_s = float(joint.t_s[first] - half), float(joint.t_s[stop - 1] + half)
    event = Event(
        joint.joint,
        start_s,
        end_s,
        score,
        found_by,
        z_best,
        statistics=frozenset({found_by, name}),
        windowed=True,
    )
    return event, around


def _likeliest(
    evidence: Evidence, joint: JointResiduals, free: Flags, seed: tuple[int, int]
) -> tuple[str, int, int, float]:
    """Return the shape and the window, about one that is beyond the limit, that explain most.

    The rarest statistic finds an event, the likelihood says from when to when: a shape with a
    light tail is rare in a part of what another explains whole.
    """
    best = (-1.0, "", seed[0], seed[1], 0.0)
    own = evidence.laws.noise.get(joint.unit, {})
    colour = max((n.longest for s, n in own.items() if not SHAPES[s].energy), default=1.0)
    for name, shape in SHAPES.items():
        noise = evidence.noise(joint.joint, name) if shape.sought and not shape.shared else None
        if noise is None or shape.grows:
            continue
        part = evidence.terms[joint.joint, name].without(free)
        for found in windows(part, joint.step_s):
            common = np.minimum(found.stop, seed[1]) - np.maximum(found.first, seed[0])
            meets = common > 0.5 * min(seed[1] - seed[0], int(found.stop[0] - found.first[0]))
            meets &= found.energy > 0
            if not meets.any():
                continue
            energy = np.where(found.energy > 0, found.energy, 1.0)
            if shape.energy:
                nats = 0.5 * found.z(noise) ** 2
            else:
                doubt = (found.doubt / energy) ** 2
                nats = 0.5 * (found.along / energy) ** 2 / (colour / energy + doubt)
            k = int(np.argmax(np.where(meets, nats, -1.0)))
            if nats[k] > best[0]:
                size = float(found.along[k] / energy[k])
                best = (float(nats[k]), name, int(found.first[k]), int(found.stop[k]), size)
    return best[1:]


def _clusters(joint: str, marks: Sequence[tuple[Mark, float]]) -> list[Event]:
    events = [
        Event(joint, m.start_s, m.end_s, s, m.measure, m.value, (m,), frozenset({m.measure}))
        for m, s in sorted(marks, key=lambda pair: pair[0].start_s)
    ]
    return _merged(events)


def _merged(events: list[Event]) -> list[Event]:
    """Make one of events of a joint that overlap by half; a second beside one is its edge."""
    made: list[Event] = []
    for event in sorted(events, key=lambda e: (e.start_s, -e.end_s)):
        for k, last in enumerate(made):
            (low, high), (first, stop) = last.reach, event.reach
            near = first - high <= BESIDE_S and low - stop <= BESIDE_S
            edge = min(last.end_s - last.start_s, event.end_s - event.start_s) <= BESIDE_S
            apart = last.windowed and event.windowed and not edge
            if near and (not apart or last.overlap(event) > setting("overlap")):
                made[k] = last.joined(event)
                break
        else:
            made.append(event)
    return made


def _recorder(
    events: list[Event], residuals: SessionResiduals
) -> tuple[list[Finding], list[Event]]:
    """Take out what several channels or joints show at the same instants: the recorder did it."""
    silent = [(e, m) for e in events for m in e.marks if m.measure in _OF_RECORDER]
    findings: list[Finding] = []
    taken: set[int] = set()
    for event, mark in sorted(silent, key=lambda pair: -(pair[1].end_s - pair[1].start_s)):
        if id(event) in taken:
            continue
        same = [
            (e, m)
            for e, m in silent
            if id(e) not in taken
            and abs(m.start_s - mark.start_s) < BESIDE_S
            and abs(m.end_s - mark.end_s) < BESIDE_S
        ]
        joints = {e.joint for e, _ in same}
        channels = {(e.joint, m.measure) for e, m in same}
        many = len(joints) >= max(2, len(residuals.joints) - 1)
        repeats = len(channels) > 1 and mark.measure in _FROZEN
        if not (many or repeats):
            continue
        lead, *rest = sorted({id(e): e for e, _ in same}.values(), key=lambda e: -e.score)
        findings.append(Finding(lead, tuple(rest), everywhere=len(joints) > 1))
        taken |= {id(e) for e in (lead, *rest)}
    left = [e for e in events if id(e) not in taken]
    spans = [f.lead for f in findings]
    # what the joints show while the recorder is not there is the recorder's as well
    kept = [e for e in left if not any(e.overlap(s) > setting("overlap") for s in spans)]
    return findings, kept


_FROZEN = {"current frozen", "angle frozen"}
_OF_RECORDER = _FROZEN | {"silence", "lost"}
_OF_MOTION = {"angle", "commanded rate"}
HOLE_SCORE = 1.0
"""A hole that one healthy joint-hour in ten shows is none that hides a motion."""


def _shared(
    evidence: Evidence, events: list[Event], limit: float
) -> tuple[list[Finding], list[Event]]:
    """Take out what one cause on all joints explains better than any joint's own does."""
    findings: list[Finding] = []
    left = list(events)
    for name, shape in SHAPES.items():
        part = evidence.terms.get((EVERYONE, name))
        noise = evidence.noise(EVERYONE, name) if part is not None else None
        if not shape.shared or part is None or noise is None:
            continue
        step = next(iter(evidence.residuals.joints.values())).step_s
        free = np.zeros(part.along.size, dtype=bool)
        for _ in range(MOST):
            masked = part.without(free)
            best: tuple[float, float, int, int, float] | None = None
            for found in windows(masked, step, least_s=shape.least_s):
                z = found.z(noise)
                k = int(np.argmax(np.abs(z)))
                score = float(evidence.laws.score(statistic(name, found.band), np.abs(z[k])))
                if score >= limit and (best is None or score > best[0]):
                    size = float(found.along[k] / found.energy[k])
                    best = (score, float(z[k]), int(found.first[k]), int(found.stop[k]), size)
            if best is None:
                break
            score, value, first, stop, size = best
            first, stop, size = _longest(masked, step, noise, first, stop, size)
            first, stop = stretch(masked, size, noise, first, stop)
            free[first:stop] = True
            made = _one_shared(evidence, left, name, first, stop, score, value)
            if made is None:
                continue
            gone = {id(e) for e in made.events}
            left = [e for e in left if id(e) not in gone]
            same = [
                k for k, f in enumerate(findings) if f.shared == name and f.lead.value * value > 0
            ]
            if same:  # the same cause goes on: one finding
                findings[same[0]] = _extended(findings[same[0]], made)
            else:
                findings.append(made)
    return findings, left


def _longest(
    part: Terms, step_s: float, noise: Noise, first: int, stop: int, size: float
) -> tuple[int, int, float]:
    """Return the window about one beyond the limit that is explained best, and its size."""
    best = (0.0, first, stop, size)
    for found in windows(part, step_s):
        meets = (found.first <= first) & (found.stop >= stop) & (found.energy > 0)
        if not meets.any():
            continue
        energy = np.where(found.energy > 0, found.energy, 1.0)
        nats = np.where(meets, 0.5 * found.along**2 / energy / noise.longest, -1.0)
        k = int(np.argmax(nats))
        if nats[k] > best[0]:
            best = (
                float(nats[k]),
                int(found.first[k]),
                int(found.stop[k]),
                float(found.along[k] / energy[k]),
            )
    return best[1:]


def _extended(finding: Finding, more: Finding) -> Finding:
    """Return a finding that lasts over another of the same cause."""
    lead, other = finding.lead, more.lead
    if other.joint == lead.joint:
        return replace(finding, lead=lead.joined(other), members=finding.members + more.members)
    lasting = replace(
        lead, start_s=min(lead.start_s, other.start_s), end_s=max(lead.end_s, other.end_s)
    )
    return replace(finding, lead=lasting, members=(*finding.members, other, *more.members))


def _one_shared(
    evidence: Evidence,
    events: list[Event],
    name: str,
    first: int,
    stop: int,
    score: float,
    value: float,
) -> Finding | None:
    """Return the finding of one shared cause, None where one joint by itself explains more."""
    by_joint: dict[str, float] = {}
    own = 0.0
    total = 0.0
    shape = SHAPES[name]
    from replay.checks.likelihood import terms as terms_of

    for joint in evidence.residuals.joints.values():
        inside = np.zeros(joint.t_s.size, dtype=bool)
        inside[first:stop] = True
        mine = terms_of(shape, joint)
        single = evidence.laws.noise.get(joint.unit, {})
        phi = single.get("friction") or next(iter(single.values()), None)
        if phi is None:
            continue
        nats, size, _ = gain(mine, inside, phi)
        by_joint[joint.joint] = nats if size * value > 0 else 0.0
        total += by_joint[joint.joint]
        others = [
            gain(evidence.terms[joint.joint, other], inside, noise)[0]
            for other, noise in single.items()
            if not SHAPES[other].shared and not SHAPES[other].grows
        ]
        own = max(own, max(others, default=0.0))
    if total <= own or not by_joint:
        return None
    lead = max(by_joint, key=lambda j: by_joint[j])
    joint = evidence.residuals.joints[lead]
    half = 0.5 * joint.step_s
    stop = min(stop, joint.t_s.size)
    made = Event(
        lead,
        float(joint.t_s[first] - half),
        float(joint.t_s[stop - 1] + half),
        score,
        name,
        value,
        statistics=frozenset({name}),
        windowed=True,
    )
    members = [
        e
        for e in events
        if e.windowed
        and not any(MEASURES[m.measure].proof for m in e.marks)
        and e.overlap(made) > setting("overlap")
    ]
    leads = [e for e in members if e.joint == lead]
    return Finding(
        replace(made, statistics=made.statistics.union(*(e.statistics for e in leads))),
        (*(e for e in members if e.joint != lead), *leads),
        shared=name,
    )


def _joined(events: list[Event]) -> list[Finding]:
    """Let a far stronger event on another joint, or its proof, speak for what it shook."""
    groups: list[tuple[Event, list[Event]]] = []
    for event in sorted(events, key=lambda e: (-_strength(e), e.start_s)):
        for lead, members in groups:
            near = [e for e in (lead, *members) if together(e, event)]
            if near and together(lead, near[0]) | (near[0] is lead):
                members.append(event)
                break
            if (
                lead.joint != event.joint
                and lead.overlap(event) > setting("overlap")
                and not any(MEASURES[m.measure].proof for m in event.marks)
                and event.end_s - event.start_s <= 2 * (lead.end_s - lead.start_s) + 10.0
                and (
                    any(m.measure in _SHAKES for m in lead.marks)
                    or abs(event.value) < setting("shaken") * abs(lead.value)
                )
            ):
                members.append(event)
                break
        else:
            groups.append((event, []))
    return [Finding(lead, tuple(members)) for lead, members in groups]


_SHAKES = {"angle step", "angle frozen", "swing", "behind", "release word", "release motion"}


def _strength(event: Event) -> float:
    return event.score
