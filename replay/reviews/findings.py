"""Findings: what one cause did, made of the flags that it left.

A contact felt by four joints, a payload that fits none of them and a gap in
every channel are one finding each. A person judges the finding; its flags stay
visible under it. `findings_of` is the one place that says which flags belong
together: flags of one session that name the same group, else a flag by itself.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import polars as pl

from replay.archive import Archive
from replay.records import Flag

RANK = {"act": 0, "look": 1, "note": 2}
"""Severities, the most urgent first."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What one cause did in one session; ``flags`` are what it left, the lead first.

    Severity and score are the worst of its flags', the span covers them all.
    ``joints`` is empty where it concerns every joint.
    """

    finding: str
    session: str
    joints: tuple[str, ...]
    units: tuple[str, ...]
    kind: str
    severity: str
    score: float
    start: datetime
    end: datetime
    summary: str
    flags: tuple[Flag, ...]
    baseline: str | None = None

    @property
    def lead(self) -> Flag:
        """The flag that speaks for the finding."""
        return self.flags[0]

    @property
    def names(self) -> frozenset[str]:
        """The names of its flags."""
        return frozenset(f.flag for f in self.flags)

    @property
    def place(self) -> str:
        """Where it was, in words."""
        return ", ".join(self.joints) or "every joint"


def findings(archive: Archive, session: str | None = None) -> tuple[Finding, ...]:
    """Return the findings of the last check of a session, or of all, worst first.

    Parameters
    ----------
    archive : Archive
    session : str, optional
        One session; all by default.

    Returns
    -------
    tuple of Finding
        The worst first.
    """
    version = archive.tables.version("flags")
    kept = archive.attached.get("findings")
    if not isinstance(kept, _Kept) or kept.version != version:
        found = findings_of(flags_of(archive.table("flags")))
        by_session: dict[str, list[Finding]] = {}
        for one in found:
            by_session.setdefault(one.session, []).append(one)
        kept = _Kept(version, found, {s: tuple(f) for s, f in by_session.items()})
        archive.attached["findings"] = kept
    return kept.found if session is None else kept.by_session.get(session, ())


@dataclass(frozen=True, slots=True)
class _Kept:
    """All findings of an archive's flags, made once for each commit of the table."""

    version: int | None
    found: tuple[Finding, ...]
    by_session: dict[str, tuple[Finding, ...]]


def findings_of(flags: Iterable[Flag]) -> tuple[Finding, ...]:
    """Return the findings that flags make up, worst first; pure.

    Parameters
    ----------
    flags : iterable of Flag
        Flags of any sessions.

    Returns
    -------
    tuple of Finding
        The worst first.
    """
    together: dict[tuple[str, str], list[Flag]] = {}
    for flag in flags:
        together.setdefault((flag.session, cause_of(flag)), []).append(flag)
    made = [_finding(session, cause, found) for (session, cause), found in together.items()]
    return tuple(sorted(made, key=worst_first))


def cause_of(flag: Flag) -> str:
    """Return what flags of one cause have in common: their group, else the flag itself.

    Which of them leads the check says (``evidence["lead"]``); else the worst does.
    """
    return flag.group or flag.flag


def worst_first(finding: Finding) -> tuple[Any, ...]:
    """Return a finding's place in a list that has the worst on top."""
    return (RANK.get(finding.severity, 3), -finding.score, finding.start, finding.finding)


def flags_of(frame: pl.DataFrame) -> list[Flag]:
    """Return the rows of the table `flags` as records."""
    return [flag_of(row) for row in frame.iter_rows(named=True)]


def flag_of(row: dict[str, Any]) -> Flag:
    """Return one row of the table `flags` as a record."""
    evidence = row.get("evidence")
    return Flag(
        flag=row["flag"],
        session=row["session"],
        joint=row["joint"] or "",
        unit=row["unit"] or "",
        kind=row["kind"],
        start=_utc(row["start"]),
        end=_utc(row["end"]),
        score=float(row["score"]),
        severity=row["severity"],
        summary=row["summary"] or "",
        baseline=row.get("baseline"),
        group=row.get("group"),
        evidence=json.loads(evidence) if isinstance(evidence, str) and evidence else {},
    )


def _finding(session: str, cause: str, flags: list[Flag]) -> Finding:
    ordered = sorted(flags, key=_lead_first)
    lead = ordered[0]
    everywhere = any(not f.joint for f in ordered)
    name = hashlib.sha256(f"{session}|{cause}".encode()).hexdigest()[:10]
    return Finding(
        finding="N" + name,
        session=session,
        joints=() if everywhere else tuple(dict.fromkeys(f.joint for f in ordered)),
        units=tuple(dict.fromkeys(f.unit for f in ordered if f.unit)),
        kind=lead.kind,
        severity=min((f.severity for f in ordered), key=lambda s: RANK.get(s, 3)),
        score=max(f.score for f in ordered),
        start=min(f.start for f in ordered),
        end=max(f.end for f in ordered),
        summary=lead.summary,
        flags=tuple(ordered),
        baseline=lead.baseline,
    )


def _lead_first(flag: Flag) -> tuple[Any, ...]:
    """Put the flag first that the check names as the lead; else the worst one."""
    leads = flag.evidence.get("lead") is True
    return (not leads, RANK.get(flag.severity, 3), -flag.score, flag.start, flag.flag)


def _utc(moment: datetime) -> datetime:
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)
