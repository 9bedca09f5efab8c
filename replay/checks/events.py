"""Spans of several detectors become events: onset, end, one score.

The best candidate leads. Where a shift began and ended is read off the
remainder itself, as the stretch with the largest sum above half the shift
(the retrospective form of a CUSUM: Page, Biometrika 41, 1954); what overlaps
that stretch belongs to the event.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from replay.checks.candidates import Candidate
from replay.checks.releases import stretches_round
from replay.models.bins import HELD, HOLDING, MOVING, Floats, Ints
from replay.models.spreads import UNSETTLED_S
from replay.models.trace import Trace

SHIFT_FAMILIES = {"shift", "change", "offset", "holding", "held", "load", "astray"}
SLACK_S = 0.6
"""Less than this much of the shift does not make an event longer."""

JOIN_S = 3.0
"""Events of one joint that are closer than this, with the same sign, are one."""

NEXT_S = 15.0
"""So much motion after the next release says whether a shift goes on in it."""

BEHIND, GAP_S = 0.15, 1.5
"""A joint is behind by this share of its command; behind again this soon is the same."""

CLOSE, LONGER = 0.7, 2.0
"""An explanation comes close with this share of the best one's score; a span is much
longer from so many times on."""

DRAGS = {"shift", "change", "load"}
MIRROR_Z = 0.3
"""Less than this mean departure, in spreads of a bin, is none."""

SWINGS = {"pattern", "wobble", "stop-go", "heave"}
"""Detectors whose windows see an event before and after it is in their middle."""

FAMILIES = ({"shift", "change"}, {"tracking", "behind", "push"})
"""Detectors of one thing: a shift of the drag, a joint that does not follow."""


@dataclass(slots=True)
class Event:
    """One thing that happened to one joint."""

    joint: str
    start_s: float
    end_s: float
    score: float
    lead: Candidate
    members: list[Candidate] = field(default_factory=list)


def events_of(joint: str, trace: Trace, found: list[Candidate], limit: float) -> list[Event]:
    """Merge candidates into events that reach the limit, best first."""
    left = list(found)
    made: list[Event] = []
    while left:
        if left[0].score < limit and not left[0].physical:
            break
        lead = _spokesman(left, limit)
        if mirrored(trace, lead) and any(
            o.score >= limit and not mirrored(trace, o) for o in found
        ):
            left.remove(lead)  # it is the rest of the session that departs, and is told there
            continue
        start, end = localise(trace, lead)
        lead, start, end = _wider(trace, left, lead, start, end, limit)
        turned = lead.family in DRAGS and stretches_round(trace, start, end).turned
        if turned or lead.family == "held":
            start, end = _offset_span(trace, start, end, HELD if lead.family == "held" else MOVING)
        elif lead.family == "holding":  # seen at rest; a sensor's goes on in motion
            wide = _offset_span(trace, start, end, HOLDING)
            start, end = wide if wide[0] <= start and wide[1] >= end else (start, end)
        members = [lead]
        rest: list[Candidate] = []
        for other in left:
            if other is lead:
                continue
            (members if _belongs(other, start, end, lead) else rest).append(other)
        made.append(Event(joint, start, end, max(m.score for m in members), lead, members))
        left = rest
    return _joined(trace, made)


def _spokesman(left: list[Candidate], limit: float) -> Candidate:
    """Return the candidate that an event is built round: the best, as a rule.

    Load, offset and roughness react to plain drag too; where drag itself is
    plain, it speaks.
    """
    best = left[0]
    if best.physical or best.family not in {"load", "offset", "wobble", "pattern"}:
        return best
    for other in left[1:]:
        if other.score < max(limit, CLOSE * best.score):
            break
        meets = other.reach_s <= best.end_s and other.end_s >= best.reach_s
        if other.family in {"shift", "change"} and meets:
            return other
    return best


def _wider(
    trace: Trace, left: list[Candidate], lead: Candidate, start: float, end: float, limit: float
) -> tuple[Candidate, float, float]:
    """Let an offset or a load speak where it explains much more than a drag that is part of it.

    What keeps its sign while the joint turns is a drag only until it turns.
    """
    if lead.family not in FAMILIES[0]:
        return lead, start, end
    for other in left:
        if other.score < max(limit, CLOSE * lead.score):
            break
        if other.family in {"load", "offset"}:
            a, b = localise(trace, other)
            if a <= start and b >= end and b - a > LONGER * (end - start):
                return other, a, b
    return lead, start, end


def localise(trace: Trace, lead: Candidate) -> tuple[float, float]:
    """Return where the event that the lead points at begins and ends."""
    if lead.family in FAMILIES[1]:
        return _behind(trace, lead)
    if lead.mark is not None or lead.family not in SHIFT_FAMILIES:
        shift = lead.window_s if np.isfinite(lead.window_s) else 0.0
        return max(lead.start_s - 0.5 * shift, 0.0), lead.end_s
    rows, series = signed_series(trace, lead)
    if rows.size < 2:
        return lead.start_s, lead.end_s
    series = np.clip(series * np.sign(lead.value), -15, 15)
    start_s, end_s = trace.bins.start_s[rows], trace.bins.end_s[rows]
    if np.isinf(lead.window_s):
        inside = np.ones(rows.size, dtype=bool)
    else:
        at = int(np.searchsorted(end_s, lead.peak_s))
        weight = np.cumsum(trace.seconds[rows])
        stop = weight[min(at, rows.size - 1)]
        inside = (weight <= stop + 1e-9) & (weight > stop - max(lead.window_s, 1.0))
    level = float(np.mean(series[inside])) if inside.any() else 0.0
    if level <= 0:
        return lead.start_s, lead.end_s
    own = np.flatnonzero(inside)
    # the window may reach beyond the shift: its core tells the level and where it stands
    core = own[largest_sum((series[own] - 0.5 * level) * trace.seconds[rows[own]])]
    level = float(np.mean(series[core]))
    gain = (series - 0.5 * level) * trace.seconds[rows]
    through = int(core[-1])
    a, b = best_stretch(gain, through, 0.5 * level * SLACK_S)
    release = releases(trace)[rows]
    while release[b] != release[through] and not _goes_on(trace, rows, gain, release, release[b]):
        b = int(np.flatnonzero(release == release[b])[0]) - 1
    while release[a] != release[through] and not _goes_on(
        trace, rows, gain, release, release[a], last=True
    ):
        a = int(np.flatnonzero(release == release[a])[-1]) + 1
    return float(start_s[a]), float(end_s[b])


def mirrored(trace: Trace, lead: Candidate) -> bool:
    """Tell whether a change against the session is none against the expected.

    Where a fault fills most of a session, it is the healthy part that stands out.
    """
    if lead.family != "change":
        return False
    rows, series = signed_series(trace, lead)
    end_s = trace.bins.end_s[rows]
    spent = np.cumsum(trace.seconds[rows])
    last = min(int(np.searchsorted(end_s, lead.peak_s)), rows.size - 1)
    inside = (spent <= spent[last] + 1e-9) & (spent > spent[last] - lead.window_s)
    level = float(np.mean(np.clip(series[inside], -15, 15))) if inside.any() else 0.0
    return bool(level * np.sign(lead.value) < MIRROR_Z)


def _offset_span(trace: Trace, start_s: float, end_s: float, motion: int) -> tuple[float, float]:
    """Return where an offset begins and ends: the same sign both ways, and under the brake."""
    bins = trace.bins
    rows = np.flatnonzero(trace.seen & np.isin(bins.motion, (MOVING, HELD, motion)))
    inside = np.flatnonzero(
        (bins.end_s[rows] >= start_s)
        & (bins.start_s[rows] <= end_s)
        & (bins.motion[rows] == motion)
    )
    if not inside.size:
        return start_s, end_s
    series = np.clip(trace.z[rows], -15, 15)
    level = float(np.mean(series[inside]))
    gain = (series * np.sign(level) - 0.5 * abs(level)) * trace.seconds[rows]
    a, b = best_stretch(gain, int(inside[-1]), 0.5 * abs(level) * SLACK_S)
    return float(bins.start_s[rows[a]]), float(bins.end_s[rows[b]])


def _behind(trace: Trace, lead: Candidate) -> tuple[float, float]:
    """Return the span in which the joint was behind its command, nearest to the lead's peak.

    Windows of such a detector hold commanded time only, and may reach over a long rest.
    """
    bins = trace.bins
    near = (bins.end_s >= lead.reach_s) & (bins.start_s <= lead.end_s) & (bins.motion != HELD)
    asked = np.abs(np.nan_to_num(bins.rate_cmd))
    missing = np.abs(np.nan_to_num(bins.rate_cmd - bins.rate))
    rows = np.flatnonzero(near & (asked > 0) & (missing > BEHIND * asked))
    if not rows.size:
        return lead.start_s, lead.end_s
    cut = np.flatnonzero(bins.start_s[rows[1:]] - bins.end_s[rows[:-1]] > GAP_S) + 1
    parts = np.split(rows, cut)
    best = max(parts, key=lambda part: float(np.sum(missing[part] * trace.seconds[part])))
    return float(bins.start_s[best[0]]), float(bins.end_s[best[-1]])


def releases(trace: Trace) -> Ints:
    """Return how many times the brake had been released by each bin."""
    engaged = np.nan_to_num(trace.bins.engaged, nan=0.0) == 1.0
    return np.cumsum(np.diff(engaged.astype(np.int8), prepend=0) == -1)


def _goes_on(
    trace: Trace, rows: Ints, gain: Floats, release: Ints, number: int, *, last: bool = False
) -> bool:
    """Tell whether the shift stands in another release, by its first or last seconds."""
    mine = np.flatnonzero(release == number)
    if last:
        mine = mine[::-1]
    mine = mine[np.cumsum(trace.seconds[rows[mine]]) <= NEXT_S]
    return bool(gain[mine].sum() > 0)


def best_stretch(gain: Floats, through: int, slack: float = 0.0) -> tuple[int, int]:
    """Return first and last index of the stretch with the largest sum.

    The stretch contains index ``through``; a gain of less than ``slack`` does
    not make it longer.
    """
    before = np.cumsum(gain[through::-1])
    after = np.cumsum(gain[through:])
    return through - _nearest_top(before, slack), through + _nearest_top(after, slack)


def largest_sum(gain: Floats) -> slice:
    """Return the stretch with the largest sum; at least the largest entry."""
    total = np.concatenate(([0.0], np.cumsum(gain)))
    low = np.minimum.accumulate(total)[:-1]
    last = int(np.argmax(total[1:] - low))
    first = int(np.argmin(total[: last + 1]))
    return slice(first, last + 1)


def _nearest_top(total: Floats, slack: float) -> int:
    """Return the nearest entry that is within ``slack`` of the largest."""
    return int(np.argmax(total >= total.max() - slack))


def signed_series(trace: Trace, lead: Candidate) -> tuple[Ints, Floats]:
    """Return the rows and values that the lead's mean was taken over."""
    motion = trace.bins.motion
    if lead.family in {"shift", "change"}:
        rows = np.flatnonzero(trace.seen & (motion == MOVING))
        return rows, trace.z[rows] * trace.side[rows]
    if lead.family in {"holding", "held"}:
        code = HOLDING if lead.family == "holding" else HELD
        at_rest = trace.seen & (motion == code)
        if code == HOLDING:  # as the detector does: the same seconds make its windows
            at_rest &= trace.bins.settled >= UNSETTLED_S
        rows = np.flatnonzero(at_rest)
        return rows, trace.z[rows]
    if lead.family == "astray":
        rows = np.flatnonzero(np.isfinite(trace.bins.astray) & (motion != HELD))
        return rows, trace.bins.astray[rows] / np.maximum(trace.seconds[rows], 1e-6)
    rows = np.flatnonzero(trace.seen & (motion == MOVING))
    if lead.family == "load":
        from replay.models.symptoms.current import load_cause

        cause = load_cause(trace, rows)
        if cause is not None:
            return rows, trace.z[rows] * cause
    return rows, trace.z[rows]


def _belongs(other: Candidate, start: float, end: float, lead: Candidate) -> bool:
    margin = 2.0
    if lead.physical and other.window_s > 4.0:
        return False  # a sensor's fault explains what is short and near, nothing longer
    if other.window_s >= 16.0 or other.family in SWINGS:
        return other.reach_s <= end + margin and other.end_s >= start - margin
    own = other.end_s - other.start_s
    if own <= 0:  # a single sample
        return start <= other.end_s <= end
    overlap = min(other.end_s, end + margin) - max(other.reach_s, start - margin)
    return overlap >= 0.3 * own and overlap > 0


def _joined(trace: Trace, events: list[Event]) -> list[Event]:
    made: list[Event] = []
    for event in sorted(events, key=lambda e: e.start_s):
        last = made[-1] if made else None
        if (
            last is not None
            and (_alike(last.lead, event.lead) or _one_offset(trace, last, event))
            and _between(trace, last, event) <= _join_s(event.lead)
        ):
            best = last if last.score >= event.score else event
            made[-1] = Event(
                event.joint,
                min(last.start_s, event.start_s),
                max(last.end_s, event.end_s),
                best.score,
                best.lead,
                sorted([*last.members, *event.members], key=lambda c: -c.score),
            )
        else:
            made.append(event)
    return sorted(made, key=lambda e: (-e.score, e.start_s))


def _one_offset(trace: Trace, last: Event, event: Event) -> bool:
    """Tell whether drag and its opposite are one offset that the joint's turning splits."""
    if not {last.lead.family, event.lead.family} <= FAMILIES[0] | {"offset"}:
        return False
    levels = []
    for one in (last, event):
        rows = (trace.bins.end_s >= one.start_s) & (trace.bins.start_s <= one.end_s)
        rows &= trace.seen & (trace.bins.motion == MOVING)
        levels.append(float(np.mean(trace.rest[rows])) if rows.any() else 0.0)
    return levels[0] * levels[1] > 0 and 0.5 < levels[0] / levels[1] < 2.0


def _between(trace: Trace, last: Event, event: Event) -> float:
    """Return the time between two events, s; for a shift in one release, the motion."""
    apart = event.start_s - last.end_s
    bins = trace.bins
    rows = (bins.start_s > last.end_s) & (bins.end_s < event.start_s)
    braked = (np.nan_to_num(bins.engaged[rows], nan=0.0) == 1.0).any()
    if event.lead.family not in FAMILIES[0] or braked or apart <= 0:
        return apart
    return float(trace.seconds[rows & trace.seen & (bins.motion == MOVING)].sum())


def _join_s(lead: Candidate) -> float:
    return 20.0 if lead.name == "spike" else JOIN_S


def _alike(one: Candidate, other: Candidate) -> bool:
    if (one.mark is None) != (other.mark is None):
        return False
    if one.mark is not None and other.mark is not None:
        return one.mark.name == other.mark.name
    same = one.family == other.family or any({one.family, other.family} <= f for f in FAMILIES)
    return bool(np.sign(one.value) == np.sign(other.value)) and same
