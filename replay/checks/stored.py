"""What a check leaves in the archive: its flags, and a row on the check itself."""

from __future__ import annotations

import json
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import polars as pl

from replay.archive import Archive
from replay.archive.schemas import TABLES
from replay.record import closed_sessions, open_record
from replay.records import Flag

FLAG_SCHEMA, CHECK_SCHEMA = TABLES["flags"], TABLES["checks"]


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


def store(archive: Archive, results: Sequence[CheckResult]) -> None:
    """Replace these sessions' rows in the tables ``flags`` and ``checks``, in two commits.

    What was signed stays as it was signed: of a session that is closed nothing
    is stored (see `replay.reviews.signing_off.rechecking` for what is done instead).
    """
    closed = closed_sessions(open_record(archive))
    results = [r for r in results if r.session not in closed]
    names = [r.session for r in results]
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
        for result in results
        for f in result.flags
    ]
    archive.replace("flags", pl.DataFrame(rows, schema=FLAG_SCHEMA), session=names)
    checks = [
        {
            "session": r.session,
            "baseline": r.baseline,
            "checked_at": datetime.now(UTC),
            "expected_false_flags": r.expected_false_flags,
            "joint_hours": r.joint_hours,
            "asked_rate": r.asked_rate,
            "note": r.note,
            "flags": len(r.flags),
        }
        for r in results
    ]
    archive.replace("checks", pl.DataFrame(checks, schema=CHECK_SCHEMA), session=names)


def lost_flags(
    archive: Archive, among: Collection[str] | None = None
) -> dict[str, tuple[int, int]]:
    """Return the checked sessions that have fewer flags than their check raised.

    Parameters
    ----------
    archive : Archive
        Where they are.
    among : collection of str, optional
        Only these sessions; then little else is read.

    A damaged table that was mended without some of its rows leaves such
    sessions; they are not silent, they have to be checked again.

    Returns
    -------
    dict
        By session: how many flags are there, how many the check raised.
    """
    checks = archive.table("checks") if among is None else archive.rows_of("checks", among)
    raised = checks.drop_nulls("flags").filter(pl.col("flags") > 0)
    if not raised.height:
        return {}
    flagged = archive.table("flags") if among is None else archive.rows_of("flags", among)
    there = flagged.group_by("session").len()
    short = (
        raised.select("session", "flags")
        .join(there, on="session", how="left")
        .with_columns(pl.col("len").fill_null(0))
        .filter(pl.col("len") < pl.col("flags"))
    )
    return {s: (kept, all_) for s, all_, kept in short.iter_rows()}


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

    Parameters
    ----------
    archive : Archive
    sessions : list of str, optional
        All sessions by default.
    joint : str, optional
        Only this joint's.
    kind : str, optional
        Only of this kind.
    severity : str, optional
        Only ``note``, ``look`` or ``act``.
    since : datetime, optional
        Only flags that begin then or later.
    until : datetime, optional
        Only flags that begin before.
    min_score : float, optional
        Only flags at least this rare, -log10 of p.

    Returns
    -------
    DataFrame
        One row a flag: the fields of `records.Flag`.
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
