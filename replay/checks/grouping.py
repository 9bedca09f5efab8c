"""The same event on several joints: one group, one leader."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from replay.checks.attribution import ALIKE, MARK_KINDS
from replay.checks.candidates import Candidate
from replay.checks.events import JOIN_S, Event
from replay.checks.evidence import Evidence

if TYPE_CHECKING:
    from replay.checks.checking import JointEvent

PUSH_S = 15.0
"""A push at the tip is over sooner than this; a payload taken up stays."""

CURRENT_FAMILIES = {"shift", "change", "sample", "load", "offset", "holding", "held"}
CURRENT_FAMILIES |= {"pattern", "stop-go", "wobble", "heave"}

BEHIND_FAMILIES = {"tracking", "behind", "push"}

SETTLES_S = 2.0
"""So long a shaken arm may still ring."""

HELD_ON_S, LOAD_TOGETHER = 2.5, 0.7
"""What lasts longer, and goes with the load by this share on all joints together, is a
load taken up, not a push."""

TURNS, STAYS = 0.8, 0.5
"""Shares that drag and what keeps its sign explain of an event that turns with the motion."""

LOAD_LIKE = 0.85
"""A load explains at least this share of what a drag does."""

TWO_STOPS = 4.0

FROZEN, SAME_S, FILLS = {"current frozen", "angle frozen"}, 0.5, 0.7
"""Findings of a channel that stands still; those of one cause begin and end this close,
and fill this share of their event."""

TOGETHER_S = 2.0
"""Onsets this close, on different joints, are taken as one event."""


def group_events(found: list[JointEvent], joints: int) -> list[JointEvent]:
    """Mark events that belong together, and make one of what is everywhere.

    Parameters
    ----------
    found : list of JointEvent
    joints : int
        How many joints were looked at.
    """
    found = _repeated(_recorder_wide(found, joints))
    _one_payload(found)
    shaken = _shaken(found)
    group = {id(f): k for k, f in enumerate(found)}

    def join(one: JointEvent, other: JointEvent) -> None:
        old, new = group[id(other)], group[id(one)]
        group.update({k: new for k, v in group.items() if v == old})

    for other, host in shaken:
        join(host, other)
        if host.verdict.kind == "stick-slip" and other.verdict.kind != "stick-slip":
            other.verdict.shaken_by = host.event.joint
            other.verdict.runner_up, other.verdict.kind = other.verdict.kind, "unusual"
    order = sorted(found, key=lambda f: f.event.start_s)
    for one, other in pairwise(order):
        if other.event.start_s - one.event.start_s <= TOGETHER_S:
            join(one, other)
    for number in sorted(set(group.values())):
        _settle([f for f in order if group[id(f)] == number])
    _one_load(order)
    return found


def _one_load(found: list[JointEvent]) -> None:
    """Put what one payload does to several joints into one group: it is aboard throughout."""
    loads = [f for f in found if f.verdict.kind == "load" and f.seen.payload_kg > 0]
    if len({f.event.joint for f in loads}) < 2:
        return
    named = [f.group for f in sorted(loads, key=lambda f: -f.event.score) if f.group]
    name = named[0] if named else _name(max(loads, key=lambda f: f.event.score))
    for one in loads:
        one.group = one.group or name


def _one_payload(found: list[JointEvent]) -> None:
    """Let a payload that does not fit on one joint speak for the others as well.

    Drag that goes with the load as well as it goes with the direction is the payload's.
    """
    if not any(f.verdict.kind == "load" and f.seen.payload_kg > 0 for f in found):
        return
    for one in found:
        load, drag = (one.seen.shares.get(k, 0.0) for k in ("load", "friction"))
        if (
            one.verdict.kind in {"friction", "brake-drag"}
            and one.seen.payload_kg > 0
            and load > LOAD_LIKE * drag
        ):
            one.verdict.runner_up, one.verdict.kind = one.verdict.kind, "load"


def merge_alike(
    found: list[JointEvent], gather_again: Callable[[float, float], Evidence]
) -> list[JointEvent]:
    """Make one event of a joint's events that follow each other and are of one kind.

    What a single finding measured stays by itself. A drag one way that is as
    large as the offset of the current's sensor beside it is that offset.

    Parameters
    ----------
    found : list of JointEvent
        Of one joint.
    gather_again : callable
        Returns the evidence of a span given by start and end, s.
    """
    _one_offset(found)
    made: list[JointEvent] = []
    for one in sorted(found, key=lambda f: f.event.start_s):
        for k, last in enumerate(made):
            if one.event.start_s > last.event.end_s + JOIN_S:
                continue
            if _same_offset(last, one) or (
                one.verdict.kind == last.verdict.kind and not (_measured(one) and _measured(last))
            ):
                best, other = (last, one) if last.event.score >= one.event.score else (one, last)
                if _measured(best) or other.verdict.kind == "current-sensor":
                    best, other = other, best
                best.event.start_s = min(best.event.start_s, other.event.start_s)
                best.event.end_s = max(best.event.end_s, other.event.end_s)
                best.event.score = max(best.event.score, other.event.score)
                best.event.members = [*best.event.members, *other.event.members]
                # the numbers of the sentence are of all of it
                best.seen = gather_again(best.event.start_s, best.event.end_s)
                made[k] = best
                break
        else:
            made.append(one)
    return made


def _one_offset(found: list[JointEvent]) -> None:
    """Call drag one way the sensor's offset where the brake leaves as much current.

    Under an engaged brake, without drive, there is no drag.
    """
    held = [f.seen.resting_a for f in found if f.event.lead.family == "held"]
    for one in found:
        ways = [a for a in (one.seen.forward_a, one.seen.backward_a) if np.isfinite(a)]
        if one.verdict.kind not in {"friction", "brake-drag"} or not ways:
            continue
        level = float(np.mean(ways))
        if min(ways) * max(ways) > 0 and any(
            ALIKE < a / level < 1.0 / ALIKE for a in held if np.isfinite(a)
        ):
            one.verdict.runner_up, one.verdict.kind = one.verdict.kind, "current-sensor"


def _measured(one: JointEvent) -> bool:
    mark = one.event.lead.mark
    return mark is not None and MARK_KINDS[mark.name] == one.verdict.kind


def _same_offset(one: JointEvent, other: JointEvent) -> bool:
    """Tell whether one of two events is a sensor's offset and the other a piece of it."""
    sensor, drag = (one, other) if one.verdict.kind == "current-sensor" else (other, one)
    if sensor.verdict.kind != "current-sensor" or _measured(sensor):
        return False
    if drag.verdict.kind not in {"friction", "brake-drag", "load"} or drag.seen.release.turned:
        return False
    of_sensor = _known(sensor.seen.forward_a, sensor.seen.backward_a, sensor.seen.resting_a)
    of_drag = _known(drag.seen.forward_a, drag.seen.backward_a)
    if not of_drag or len(of_sensor) < 2 or min(of_sensor) * max(of_sensor) <= 0:
        return False
    level = float(np.mean(of_sensor))
    return all(0.5 < way / level < 2.0 for way in of_drag)


def _known(*values: float) -> list[float]:
    return [v for v in values if np.isfinite(v)]


def _shaken(found: list[JointEvent]) -> list[tuple[JointEvent, JointEvent]]:
    """Return short events that fall into another joint's judder or stall, with that one."""
    hosts = [f for f in found if f.verdict.kind in {"stick-slip", "stall"}]
    made = []
    for one in found:
        for host in sorted(hosts, key=lambda h: -h.event.score):
            inside = (
                one.event.start_s >= host.event.start_s - 1.0
                and one.event.end_s <= host.event.end_s + SETTLES_S
            )
            if (
                inside
                and one.event.joint != host.event.joint
                and one.event.lead.family in CURRENT_FAMILIES | BEHIND_FAMILIES | {"spike"}
                and not (one in hosts and one.event.score > host.event.score)
            ):
                made.append((one, host))
                break
    return made


def _recorder_wide(found: list[JointEvent], joints: int) -> list[JointEvent]:
    """Silence on every joint is one gap of the recorder."""
    silent = [f for f in found if f.event.lead.mark is not None and f.event.lead.name == "silence"]
    kept = [f for f in found if f not in silent]
    while silent:
        first = silent[0]
        same = [
            f
            for f in silent
            if abs(f.event.start_s - first.event.start_s) < TOGETHER_S
            and abs(f.event.end_s - first.event.end_s) < TOGETHER_S
        ]
        silent = [f for f in silent if f not in same]
        if joints > 1 and len(same) >= max(2, joints - 1):
            best = max(same, key=lambda f: f.event.score)
            best.event.joint = ""
            kept.append(best)
        else:
            kept += same
    return kept


def _repeated(found: list[JointEvent]) -> list[JointEvent]:
    """Make one of channels that stand still together: the recorder said the same again.

    Two sensors do not freeze and thaw at the same instants.
    """
    stuck = {id(f): frozen for f in found if (frozen := _frozen(f.event))}
    left = [f for f in found if id(f) in stuck]
    kept = [f for f in found if id(f) not in stuck]
    while left:
        first = stuck[id(left[0])][0]
        same = [
            f
            for f in left
            if abs(stuck[id(f)][0].start_s - first.start_s) < SAME_S
            and abs(stuck[id(f)][0].end_s - first.end_s) < SAME_S
        ]
        left = [f for f in left if f not in same]
        if sum(len(stuck[id(f)]) for f in same) < 2:
            kept += same
            continue
        best = max(same, key=lambda f: f.event.score)
        best.event.lead = stuck[id(best)][0]
        best.verdict.joints = tuple(sorted({f.event.joint for f in same}))
        best.verdict.runner_up, best.verdict.kind = best.verdict.kind, "gap"
        if len(best.verdict.joints) > 1:
            best.event.joint = ""
        kept.append(best)
    return kept


def _frozen(event: Event) -> list[Candidate]:
    """Return the channels that stood still through an event, by the findings that say so."""
    length = FILLS * (event.end_s - event.start_s)
    return [
        m
        for m in event.members
        if m.mark is not None and m.mark.name in FROZEN and m.end_s - m.start_s >= length
    ]


def _settle(cluster: list[JointEvent]) -> None:
    if len({c.event.joint for c in cluster}) < 2:
        return
    _pushed_together(cluster)
    behind = {c.event.joint for c in cluster if c.event.lead.family in BEHIND_FAMILIES}
    pushed = any(c.verdict.kind == "stall" for c in cluster)
    for one in cluster:
        if (
            (
                one.verdict.kind == "angle-sensor"
                or (one.verdict.kind == "stick-slip" and pushed and one.seen.turns < TWO_STOPS)
            )
            and one.event.joint in behind
            and (pushed or len(behind) > 1)
        ):  # sensors do not fail together: the joints were held back
            one.verdict.runner_up, one.verdict.kind = one.verdict.kind, "stall"
    leader = max(cluster, key=lambda c: c.event.score)
    name = _name(leader)
    for one in cluster:
        one.group = name


def _name(leader: JointEvent) -> str:
    text = f"{leader.session}|{leader.event.joint}|{leader.event.start_s:.3f}"
    return "G" + hashlib.sha256(text.encode()).hexdigest()[:8]


def _pushed_together(cluster: list[JointEvent]) -> None:
    """Call short surges of current on several joints at once a push at the tip.

    Sensors, gears and brakes of several joints do not fail in the same second.
    Where the plainest of them lasts, and together they go with the load, it is
    a load taken up.
    """
    short = [
        c
        for c in cluster
        if c.event.lead.family in CURRENT_FAMILIES
        and c.event.end_s - c.event.start_s <= PUSH_S
        and c.verdict.kind != "stick-slip"
        and not c.verdict.shaken_by
        and not _turns_with_the_motion(c)
    ]
    if len({c.event.joint for c in short}) < 2:
        return
    leader = max(short, key=lambda c: c.event.score)
    lasts = leader.event.end_s - leader.event.start_s > HELD_ON_S
    if lasts and _together(short, "load") > max(_together(short, "friction"), LOAD_TOGETHER):
        for one in short:
            if one.verdict.kind != "load":
                one.verdict.runner_up, one.verdict.kind = one.verdict.kind, "load"
        return
    for one in short:
        if one.verdict.kind != "stall":
            one.verdict.runner_up, one.verdict.kind = one.verdict.kind, "stall"
            one.verdict.joints = tuple(sorted({c.event.joint for c in short}))


def _turns_with_the_motion(one: JointEvent) -> bool:
    """Tell whether the current changed its sign with the direction: drag does, a push does not."""
    share = one.seen.shares
    stays = max(share.get("offset", 0.0), share.get("load", 0.0))
    return share.get("friction", 0.0) > TURNS and stays < STAYS


def _together(found: list[JointEvent], shape: str) -> float:
    """Return what a shape explains on all joints, as a share of what the best ones do."""
    best = sum(c.seen.strength for c in found)
    return sum(c.seen.shares.get(shape, 0.0) * c.seen.strength for c in found) / max(best, 1e-9)
