"""Check sessions against a baseline: residuals, the test, findings, kinds, flags.

Longer than 245 lines because a finding becomes flags and a first line in one place.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime, timedelta
from functools import partial

import numpy as np

from replay.archive import Archive
from replay.checks import promise
from replay.checks.findings import Event, Evidence, Finding, find, gather, together, within
from replay.checks.kind import Decision, decide
from replay.checks.reading import Reading, read
from replay.checks.severity import severity
from replay.checks.stored import CheckResult, store
from replay.checks.wording import (
    as_told,
    evidence_of,
    facts_of,
    releases_round,
    sentence,
    span_text,
)
from replay.errors import JointbookError
from replay.models import Baseline, load_baseline
from replay.models.model import residuals_of
from replay.models.residuals import JUDGED, REASONS, JointResiduals, SessionResiduals
from replay.records import Flag
from replay.signatures.registry import SHAPES
from replay.workers import Each, in_turn, one_thread

BATCH, BATCH_S = 64, 5.0
"""So many checks, or those of so many seconds, are stored together."""

ALL_JOINTS = {"gap"}
"""Kinds that a member flag shares with its lead; others only shook it."""


def check(
    archive: Archive, session: str, baseline: Baseline | str | None = None, *, save: bool = True
) -> CheckResult:
    """Check one session and store its flags in place of earlier ones.

    Parameters
    ----------
    archive : Archive
    session : str
    baseline : Baseline or str, optional
        A baseline or its version; the latest by default.
    save : bool
        False leaves the archive as it is.

    Returns
    -------
    CheckResult
        Flags, those that lead their finding first, and what the check rests on.

    Raises
    ------
    BaselineError
        There is no such baseline.
    """
    known = baseline if isinstance(baseline, Baseline) else load_baseline(archive, baseline)
    # small matrices: several threads would mostly wait for each other
    with one_thread():
        result = judge(read(archive, session, known.model.filter_s), known)
    if save:
        store(archive, [result])
    return result


def check_all(
    archive: Archive,
    sessions: Iterable[str],
    baseline: Baseline | str | None = None,
    *,
    on_error: Callable[[str, JointbookError], None] | None = None,
    each: Each = in_turn,
) -> Iterator[CheckResult]:
    """Check sessions one by one and store them in batches; see `check`.

    A commit costs as much as checking a session of a minute. What was checked
    is stored too when the caller stops early.

    Parameters
    ----------
    archive : Archive
    sessions : iterable of str
    baseline : Baseline or str, optional
    on_error : callable, optional
        Told of each session that cannot be checked, and why; without it the
        error is raised.
    each : Each
        Who does the work; this process alone stores, in the order of the sessions.

    Yields
    ------
    CheckResult
        Of one session after the other, stored or about to be.
    """
    known = baseline if isinstance(baseline, Baseline) else load_baseline(archive, baseline)
    waiting: list[CheckResult] = []
    since = time.monotonic()
    try:
        for session, result in each(partial(_attempt, archive, known), sessions):
            if isinstance(result, JointbookError):
                if on_error is None:
                    raise result
                on_error(session, result)
                continue
            waiting.append(result)
            if len(waiting) >= BATCH or time.monotonic() - since > BATCH_S:
                batch, waiting = waiting, []
                store(archive, batch)
                since = time.monotonic()
            yield result
    finally:
        if waiting:
            store(archive, waiting)


def _attempt(
    archive: Archive, baseline: Baseline, session: str
) -> tuple[str, CheckResult | JointbookError]:
    """Check one session without storing anything; what the user can act on is returned."""
    try:
        return session, check(archive, session, baseline, save=False)
    except JointbookError as error:
        return session, error


def judge(reading: Reading, baseline: Baseline) -> CheckResult:
    """Turn one session's reading into flags; pure."""
    residuals = residuals_of(baseline.model, reading.blocks)
    laws = promise.calibration_of(baseline)
    evidence = gather(residuals, reading.seen, laws)
    limit = promise.score_limit_for(baseline.asked)
    flags = [
        flag for finding in find(evidence, limit) for flag in flags_of(evidence, finding, baseline)
    ]
    rank = {"act": 0, "look": 1, "note": 2}
    flags.sort(
        key=lambda f: (
            not f.evidence["lead"],
            rank[f.severity],
            -f.score,
            f.start,
            f.joint,
        )
    )
    hours = sum(_hours(j) for j in residuals.joints.values())
    return CheckResult(
        session=residuals.session,
        baseline=baseline.version,
        flags=tuple(flags),
        expected_false_flags=promise.expected_rate(baseline) * hours / 100,
        joint_hours=hours,
        asked_rate=baseline.asked,
        note="; ".join(notes_of(residuals, baseline)),
    )


def notes_of(residuals: SessionResiduals, baseline: Baseline) -> list[str]:
    """Return what is said first of a session: undeclared load, what is not judged, the promise."""
    said = list(residuals.notes)
    record = residuals.record
    for name in record.joints:
        joint = residuals.joints.get(name)
        if joint is None or not np.isfinite(joint.current_a).any():
            said.append(f"{name}: not judged: it has no motor current in this session")
        elif joint.unit not in baseline.units:
            said.append(f"{name}: the baseline knows no unit {joint.unit}")
        else:
            said += _not_judged(joint)
    usual = promise.calibration_of(baseline).usual
    said += [
        f"{joint.joint}: most sessions show {', '.join(usual[joint.unit])} beyond its limit; not "
        "flagged by itself"
        for joint in residuals.joints.values()
        if joint.unit in usual
    ]
    return [*said, promise.sentence(baseline), *baseline.concerns(record)]


def _not_judged(joint: JointResiduals) -> list[str]:
    whole = joint.t_s.size * joint.step_s
    said = []
    for code, why in REASONS.items():
        blocks = joint.reason == code
        seconds = float(blocks.sum()) * joint.step_s
        if seconds > max(0.01 * whole, 5.0):
            said.append(f"{joint.joint}: {seconds:.0f} s not judged: {why}")
    return said


def _hours(joint: JointResiduals) -> float:
    return float((joint.reason == JUDGED).sum()) * joint.step_s / 3600


def flags_of(evidence: Evidence, finding: Finding, baseline: Baseline) -> list[Flag]:
    """Return a finding's flags: its lead, then one for every other joint that shows it."""
    decision = decide(evidence, finding)
    record = evidence.residuals.record
    joint = evidence.residuals.joints[finding.lead.joint]
    told, held = as_told(evidence, finding, decision)
    inside = within(joint, told.lead.start_s, told.lead.end_s)
    facts = facts_of(evidence, told, decision, record.start, held)
    release = releases_round(joint, inside)
    name = finding.name(record.session)
    kept = evidence_of(told, decision, facts, name, release)
    limit = promise.score_limit_for(baseline.asked)
    seconds = finding.lead.end_s - finding.lead.start_s
    place = "" if finding.everywhere else finding.lead.joint
    lead = _flag(
        record_start=record.start,
        session=record.session,
        event=told.lead,
        found_s=finding.lead.start_s,
        joint=place,
        unit="" if finding.everywhere else joint.unit,
        kind=decision.kind,
        severity=severity(decision.kind, facts, seconds, finding.lead.score - limit),
        summary=f"{place or 'every joint'}: {sentence(decision, facts, release)}",
        baseline=baseline.version,
        group=name,
        evidence=kept,
    )
    if finding.everywhere:
        return [lead]
    members: dict[str, Event] = {}
    for event in finding.members:
        if event.joint == finding.lead.joint:
            continue
        before = members.get(event.joint)
        members[event.joint] = event if before is None else before.joined(event)
    return [lead, *(_member(evidence, finding, decision, e, lead) for e in members.values())]


def _member(
    evidence: Evidence, finding: Finding, decision: Decision, event: Event, lead: Flag
) -> Flag:
    joint = evidence.residuals.joints[event.joint]
    record = evidence.residuals.record
    same = bool(finding.shared) or decision.kind in ALL_JOINTS
    same = same or (bool(decision.shape) and SHAPES[decision.shape].shared)
    same = same or (decision.kind == "stall" and together(finding.lead, event))
    span = span_text(record.start, event.start_s, event.end_s)
    why = "of the same cause" if same else f"shaken by it, {lead.joint} leads"
    joints = ", ".join(sorted({e.joint for e in finding.events}))
    return _flag(
        record_start=record.start,
        session=record.session,
        event=event,
        found_s=event.start_s,
        joint=event.joint,
        unit=joint.unit,
        kind=decision.kind if same else "unusual",
        severity="note",
        summary=f"{event.joint}: {span} it departs too, {joints} at once: {why}",
        baseline=lead.baseline or "",
        group=lead.group or "",
        evidence={
            "finding": lead.group,
            "lead": False,
            "lead_flag": lead.flag,
            "detector": event.statistic,
            "detector_value": round(event.value, 2),
            "detectors": sorted(event.statistics),
            "duration_s": round(event.end_s - event.start_s, 3),
        },
    )


def _flag(
    *,
    record_start: datetime,
    session: str,
    event: Event,
    found_s: float,
    joint: str,
    unit: str,
    kind: str,
    severity: str,
    summary: str,
    baseline: str,
    group: str,
    evidence: dict[str, object],
) -> Flag:
    start = record_start + timedelta(seconds=max(event.start_s, 0.0))
    end = record_start + timedelta(seconds=max(event.end_s, event.start_s, 0.0))
    found = record_start + timedelta(seconds=max(found_s, 0.0))  # a span told wider is no new flag
    text = f"{session}|{joint}|{kind}|{found.isoformat()}"
    return Flag(
        flag="F" + hashlib.sha256(text.encode()).hexdigest()[:10],
        session=session,
        joint=joint,
        unit=unit,
        kind=kind,
        start=start,
        end=end,
        score=round(float(np.clip(event.score, 0.0, 300.0)), 3),
        severity=severity,
        summary=summary,
        baseline=baseline,
        group=group,
        evidence=evidence,
    )
