"""Check sessions against a baseline: detectors, events, flags."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from replay.archive import Archive
from replay.checks.attribution import Verdict, attribute
from replay.checks.candidates import candidates
from replay.checks.events import Event, events_of
from replay.checks.evidence import Evidence, gather
from replay.checks.grouping import group_events, merge_alike
from replay.checks.sentences import describe
from replay.checks.stored import CheckResult, store
from replay.errors import JointbookError
from replay.models.baselines import Baseline, load_baseline
from replay.models.readings import Reading, readings_of
from replay.models.trace import Trace
from replay.models.unit import UnitModel
from replay.records import Flag, Session

BATCH, BATCH_S = 64, 5.0
"""So many checks, or those of so many seconds, are stored together."""


@dataclass(slots=True)
class JointEvent:
    """An event on its way to a flag; nothing in it holds on to the samples."""

    session: str
    unit: str
    event: Event
    seen: Evidence
    verdict: Verdict
    group: str | None = None


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
    """
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    known = baseline if isinstance(baseline, Baseline) else load_baseline(archive, baseline)
    record = archive.session(session)
    # small matrices: several threads would mostly wait for each other
    with threadpool_limits(limits=1, user_api="blas"):
        result = judge(record, readings_of(archive, record), known)
    if save:
        store(archive, [result])
    return result


def check_all(
    archive: Archive,
    sessions: Iterable[str],
    baseline: Baseline | str | None = None,
    *,
    on_error: Callable[[str, JointbookError], None] | None = None,
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
    """
    known = baseline if isinstance(baseline, Baseline) else load_baseline(archive, baseline)
    waiting: list[CheckResult] = []
    since = time.monotonic()
    try:
        for session in sessions:
            try:
                result = check(archive, session, known, save=False)
            except JointbookError as error:
                if on_error is None:
                    raise
                on_error(session, error)
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


def judge(record: Session, readings: Iterable[Reading], baseline: Baseline) -> CheckResult:
    """Turn condensed readings into flags; pure."""
    looked_at: list[str] = []
    found: list[JointEvent] = []
    notes: list[str] = list(baseline.concerns(record))
    hours = 0.0
    for reading in readings:
        looked_at.append(reading.joint)
        unit = baseline.units.get(reading.unit)
        if unit is None:
            notes.append(f"{reading.joint}: the baseline knows no unit {reading.unit}")
            continue
        trace = unit.trace(reading.bins, reading.marks)
        blind, whole = (float(trace.seconds[m].sum()) for m in (~trace.seen, slice(None)))
        hours += reading.hours * (1 - blind / max(whole, 1e-9))
        if blind > 0.05 * max(whole, 1e-9):
            notes.append(
                f"{reading.joint}: {blind:.0f} s not judged: not seen before"
                f"{_outside(trace, unit)}, or a bad sensor"
            )
        if unit.nominal.usual:
            notes.append(
                f"{reading.joint}: most sessions show {', '.join(unit.nominal.usual)} beyond its "
                "limit; not flagged by itself"
            )
        found += _joint_events(reading, trace, unit, baseline)
    notes += [
        f"{joint}: not judged: it has no motor current in this session"
        for joint in record.joints
        if joint not in looked_at
    ]
    found = group_events(found, len(looked_at))
    flags = tuple(_flag(record, one, baseline) for one in found)
    flags = tuple(sorted(flags, key=lambda f: (-_rank(f), -f.score, f.start, f.joint)))
    promise = baseline.promise()
    return CheckResult(
        session=record.session,
        baseline=baseline.version,
        flags=flags,
        expected_false_flags=baseline.expected_rate() * hours / 100,
        joint_hours=hours,
        asked_rate=baseline.asked,
        note="; ".join([promise, *notes]),
    )


def _outside(trace: Trace, unit: UnitModel) -> str:
    """Say which quantity most of what was not seen lies outside of."""
    words = {"temperature": "°C", "load": "Nm", "payload": "kg"}
    for name, word in words.items():
        low, high = unit.model.region_.ranges.get(name, (-np.inf, np.inf))
        value = getattr(trace.bins, name)[~trace.seen]
        if np.mean((value < low) | (value > high)) > 0.5:
            return f" ({name} outside {low:.3g} to {high:.3g} {word})"
    return ""


def _joint_events(
    reading: Reading, trace: Trace, unit: UnitModel, baseline: Baseline
) -> list[JointEvent]:
    spans = candidates(trace, reading.marks, unit, baseline.rarity)
    made = []
    for event in events_of(reading.joint, trace, spans, baseline.limit):
        seen = gather(trace, event.start_s, event.end_s, unit)
        made.append(JointEvent(reading.session, reading.unit, event, seen, attribute(event, seen)))
    return merge_alike(made, lambda start_s, end_s: gather(trace, start_s, end_s, unit))


def _rank(flag: Flag) -> int:
    return {"note": 0, "look": 1, "act": 2}[flag.severity]


def _flag(record: Session, one: JointEvent, baseline: Baseline) -> Flag:
    start = record.start + timedelta(seconds=one.event.start_s)
    end = record.start + timedelta(seconds=max(one.event.end_s, one.event.start_s))
    describe(one.verdict, one.event, one.seen, _clock(start), _clock(end))
    verdict = one.verdict
    text = f"{record.session}|{one.event.joint}|{verdict.kind}|{start.isoformat()}"
    name = "F" + hashlib.sha256(text.encode()).hexdigest()[:10]
    where = one.event.joint or "every joint"
    return Flag(
        flag=name,
        session=record.session,
        joint=one.event.joint,
        unit=one.unit if one.event.joint else "",
        kind=verdict.kind,
        start=start,
        end=end,
        score=round(one.event.score, 3),
        severity=verdict.severity,
        summary=f"{where}: {verdict.summary}",
        baseline=baseline.version,
        group=one.group,
        evidence=verdict.evidence,
    )


def _clock(instant: datetime) -> str:
    return f"{instant:%H:%M:%S}.{instant.microsecond // 100000}"
