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
from replay.models.bins import HELD, HOLDING, MOVING, Floats, Ints
from replay.models.trace import Trace

SHIFT_FAMILIES = {"shift", "change", "offset", "holding", "held", "load", "astray"}
SLACK_S = 0.6
"""Less than this much of the shift does not make an event longer."""

JOIN_S = 3.0
"""Events of one joint that are closer than this, with the same sign, are one."""


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
        start, end = localise(trace, lead)
        members = [lead]
        rest: list[Candidate] = []
        for other in left:
            if other is lead:
                continue
            (members if _belongs(other, start, end, lead) else rest).append(other)
        made.append(Event(joint, start, end, max(m.score for m in members), lead, members))
        left = rest
    return _joined(made)


def _spokesman(left: list[Candidate], limit: float) -> Candidate:
    """Return the candidate that an event is built round: the best, as a rule.

    Load and offset react to plain drag too; where drag itself is plain, it
    speaks.
    """
    best = left[0]
    if best.physical or best.family not in {"load", "offset"}:
        return best
    for other in left[1:]:
        if other.score < max(limit, 0.7 * best.score):
            break
        meets = other.reach_s <= best.end_s and other.end_s >= best.reach_s
        if other.family in {"shift", "change"} and meets:
            return other
    return best


def localise(trace: Trace, lead: Candidate) -> tuple[float, float]:
    """Return where the event that the lead points at begins and ends."""
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
    gain = (series - 0.5 * level) * trace.seconds[rows]
    a, b = best_stretch(gain, int(np.flatnonzero(inside)[-1]), 0.5 * level * SLACK_S)
    return float(start_s[a]), float(end_s[b])


def best_stretch(gain: Floats, through: int, slack: float = 0.0) -> tuple[int, int]:
    """Return first and last index of the stretch with the largest sum.

    The stretch contains index ``through``; a gain of less than ``slack`` does
    not make it longer.
    """
    before = np.cumsum(gain[through::-1])
    after = np.cumsum(gain[through:])
    return through - _nearest_top(before, slack), through + _nearest_top(after, slack)


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
        rows = np.flatnonzero(trace.seen & (motion == code))
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
    if other.window_s >= 16.0:
        return other.reach_s <= end + margin and other.end_s >= start - margin
    own = max(other.end_s - other.start_s, 1e-3)
    overlap = min(other.end_s, end + margin) - max(other.reach_s, start - margin)
    return overlap >= 0.3 * own and overlap > 0


def _joined(events: list[Event]) -> list[Event]:
    made: list[Event] = []
    for event in sorted(events, key=lambda e: e.start_s):
        last = made[-1] if made else None
        if (
            last is not None
            and event.start_s <= last.end_s + _join_s(event.lead)
            and _alike(last.lead, event.lead)
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


def _join_s(lead: Candidate) -> float:
    return 20.0 if lead.name == "spike" else JOIN_S


def _alike(one: Candidate, other: Candidate) -> bool:
    if (one.mark is None) != (other.mark is None):
        return False
    if one.mark is not None and other.mark is not None:
        return one.mark.name == other.mark.name
    return bool(np.sign(one.value) == np.sign(other.value)) and one.family == other.family
