"""Check a session against a baseline: detectors, events, flags, all stored."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import polars as pl

from replay.archive import Archive
from replay.checks.attribution import Verdict, attribute
from replay.checks.candidates import candidates
from replay.checks.events import Event, events_of
from replay.checks.evidence import Evidence, gather
from replay.checks.grouping import group_events, merge_alike
from replay.checks.sentences import describe
from replay.models.baselines import Baseline, load_baseline
from replay.models.readings import Reading, readings_of
from replay.models.trace import Trace
from replay.models.unit import UnitModel
from replay.records import Flag, Session

FLAG_SCHEMA: dict[str, pl.DataType] = {
    "flag": pl.String(),
    "session": pl.String(),
    "joint": pl.String(),
    "unit": pl.String(),
    "kind": pl.String(),
    "start": pl.Datetime("us", "UTC"),
    "end": pl.Datetime("us", "UTC"),
    "score": pl.Float64(),
    "severity": pl.String(),
    "summary": pl.String(),
    "baseline": pl.String(),
    "group": pl.String(),
    "evidence": pl.String(),
}

CHECK_SCHEMA: dict[str, pl.DataType] = {
    "session": pl.String(),
    "baseline": pl.String(),
    "checked_at": pl.Datetime("us", "UTC"),
    "expected_false_flags": pl.Float64(),
    "joint_hours": pl.Float64(),
    "asked_rate": pl.Float64(),
    "note": pl.String(),
}


@dataclass(frozen=True, slots=True)
class CheckResult:
    """What a check of one session found.

    ``expected_false_flags`` is how many of the flags a healthy session of
    this length would show, ``note`` what could not be judged and why.
    """

    session: str
    baseline: str
    flags: tuple[Flag, ...]
    expected_false_flags: float
    joint_hours: float
    asked_rate: float
    note: str


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
        store(archive, result)
    return result


def judge(record: Session, readings: Iterable[Reading], baseline: Baseline) -> CheckResult:
    """Turn condensed readings into flags; pure."""
    joints = 0
    found: list[JointEvent] = []
    notes: list[str] = list(baseline.concerns(record))
    hours = 0.0
    for reading in readings:
        joints += 1
        unit = baseline.units.get(reading.unit)
        if unit is None:
            notes.append(f"{reading.joint}: the baseline knows no unit {reading.unit}")
            continue
        hours += reading.hours
        trace = unit.trace(reading.bins, reading.marks)
        blind = float(trace.seconds[~trace.seen].sum())
        if blind > 0.05 * max(float(trace.seconds.sum()), 1e-9):
            notes.append(
                f"{reading.joint}: {blind:.0f} s not judged: not seen before, or a bad sensor"
            )
        if unit.nominal.usual:
            notes.append(
                f"{reading.joint}: most sessions show {', '.join(unit.nominal.usual)} beyond its "
                "limit; not flagged by itself"
            )
        found += _joint_events(reading, trace, unit, baseline)
    found = group_events(found, joints)
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


def store(archive: Archive, result: CheckResult) -> None:
    """Replace the session's rows in the tables ``flags`` and ``checks``."""
    rows = [
        {
            "flag": f.flag,
            "session": f.session,
            "joint": f.joint,
            "unit": f.unit,
            "kind": f.kind,
            "start": f.start,
            "end": f.end,
            "score": f.score,
            "severity": f.severity,
            "summary": f.summary,
            "baseline": f.baseline,
            "group": f.group,
            "evidence": json.dumps(f.evidence, sort_keys=True),
        }
        for f in result.flags
    ]
    archive.replace("flags", pl.DataFrame(rows, schema=FLAG_SCHEMA), session=[result.session])
    row = {
        "session": result.session,
        "baseline": result.baseline,
        "checked_at": datetime.now(UTC),
        "expected_false_flags": result.expected_false_flags,
        "joint_hours": result.joint_hours,
        "asked_rate": result.asked_rate,
        "note": result.note,
    }
    archive.replace("checks", pl.DataFrame([row], schema=CHECK_SCHEMA), session=[result.session])


def flags(
    archive: Archive,
    sessions: list[str] | None = None,
    *,
    joint: str | None = None,
    kind: str | None = None,
    severity: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    min_score: float | None = None,
) -> pl.DataFrame:
    """Return stored flags, what to look at first on top.

    Columns: the fields of `replay.records.Flag`, ``evidence`` as JSON text.
    """
    frame = archive.table("flags")
    if not frame.width:
        return pl.DataFrame(schema=FLAG_SCHEMA)
    tests = [
        pl.col("session").is_in(sessions) if sessions is not None else None,
        pl.col("joint") == joint if joint is not None else None,
        pl.col("kind") == kind if kind is not None else None,
        pl.col("severity") == severity if severity is not None else None,
        pl.col("end") >= since if since is not None else None,
        pl.col("start") <= until if until is not None else None,
        pl.col("score") >= min_score if min_score is not None else None,
    ]
    for test in tests:
        if test is not None:
            frame = frame.filter(test)
    rank = pl.col("severity").replace_strict({"act": 0, "look": 1, "note": 2}, default=3)
    return frame.select(list(FLAG_SCHEMA)).sort(
        rank, -pl.col("score"), "start", "joint", maintain_order=True
    )
