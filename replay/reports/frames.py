"""What other programs take: sessions, findings, decisions, trends, samples as polars frames.

Their columns, and what they mean, are in `replay.reports.columns`.
"""

from __future__ import annotations

from datetime import datetime

import polars as pl

from replay.archive import Archive
from replay.errors import UsageError
from replay.reports.columns import FINDINGS, SESSIONS, TRENDS, VERDICTS, Column
from replay.reviews import dispositions, findings, session_state
from replay.units import TIME
from replay.wear import trends
from replay.wear.units.trend_table import trend_table


def session_frame(
    archive: Archive,
    *,
    arm: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> pl.DataFrame:
    """Return sessions that start in ``[since, until)``, oldest first; columns of `SESSIONS`."""
    rows = archive.sessions()
    tests = [
        pl.col("arm") == arm if arm is not None else None,
        pl.col("start") >= since if since is not None else None,
        pl.col("start") < until if until is not None else None,
    ]
    for test in tests:
        rows = rows if test is None else rows.filter(test)
    checks = archive.table("checks")
    last = {r["session"]: r for r in checks.sort("checked_at").to_dicts()} if checks.height else {}
    made = [
        row
        | {
            "baseline": (check := last.get(row["session"], {})).get("baseline"),
            "checked_at": check.get("checked_at"),
            "judged_joint_h": check.get("joint_hours"),
            "expected_false_flags": check.get("expected_false_flags"),
            "findings": len(findings(archive, row["session"])),
            "state": session_state(archive, row["session"]),
        }
        for row in rows.to_dicts()
    ]
    return _frame(made, SESSIONS)


def finding_frame(
    archive: Archive,
    *,
    session: str | None = None,
    arm: str | None = None,
    verdict: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> pl.DataFrame:
    """Return findings of the last checks, worst first; columns of `FINDINGS`.

    ``since`` and ``until`` are of the finding's start.

    Raises
    ------
    ArchiveError
        There is no such session.
    """
    if session is not None:
        archive.session(session)
    arms = dict(archive.sessions().select("session", "arm").iter_rows())
    held = dispositions(archive, session)
    made = []
    for one in findings(archive, session):
        mine = held.get(one.finding)
        why = mine.reasons if mine is not None else None
        made.append(
            {
                "finding": one.finding,
                "session": one.session,
                "arm": arms.get(one.session),
                "joints": list(one.joints),
                "units": list(one.units),
                "kind": one.kind,
                "severity": one.severity,
                "score": one.score,
                "start": one.start,
                "end": one.end,
                "summary": one.summary,
                "flags": [f.flag for f in one.flags],
                "baseline": one.baseline,
                "verdict": mine.verdict if mine is not None else "open",
                "decision": why.decision if why is not None else None,
                "risk": why.risk if why is not None else None,
                "by": mine.by if mine is not None else None,
                "decided_at": mine.at if mine is not None else None,
                "entry": mine.seq if mine is not None else None,
            }
        )
    frame = _frame(made, FINDINGS)
    tests = [
        pl.col("arm") == arm if arm is not None else None,
        pl.col("verdict") == verdict if verdict is not None else None,
        pl.col("start") >= since if since is not None else None,
        pl.col("start") < until if until is not None else None,
    ]
    for test in tests:
        frame = frame if test is None else frame.filter(test)
    return frame


def verdict_frame(archive: Archive, *, session: str | None = None) -> pl.DataFrame:
    """Return every decision that was put on record, in its order; columns of `VERDICTS`.

    Raises
    ------
    ArchiveError
        There is no such session.
    """
    from replay.reviews.following import verdict_entries

    if session is not None:
        archive.session(session)
    made = []
    for entry in verdict_entries(archive, session):
        after = entry.after or {}
        made.append(
            {
                "entry": entry.seq,
                "session": entry.session,
                "flags": [f["flag"] for f in after.get("flags", ())],
                "verdict": after.get("verdict"),
                "note": after.get("note") or "",
                "decision": (after.get("reasons") or {}).get("decision"),
                "by": entry.who,
                "at": entry.at,
                "hash": entry.hash,
            }
        )
    return _frame(made, VERDICTS)


def trend_frame(
    archive: Archive,
    *,
    arm: str | None = None,
    serial: str | None = None,
    indicator: str | None = None,
) -> pl.DataFrame:
    """Return the trend of every indicator of every unit; columns of `TRENDS`."""
    measured = archive.tables.version("indicators") is not None
    found = trends(archive, arm=arm, serial=serial, indicator=indicator) if measured else []
    return _frame(trend_table(found).select(list(TRENDS)).to_dicts(), TRENDS)


def sample_frame(
    archive: Archive,
    session: str,
    *,
    start: datetime | None = None,
    end: datetime | None = None,
    channels: list[str] | None = None,
    stream: str = "main",
    most_rows: int | None = None,
) -> pl.DataFrame:
    """Return the cleaned samples of a window ``[start, end)`` of one stream: ``time``, channels.

    Raises
    ------
    ArchiveError
        There is no such session or stream.
    UsageError
        The stream has no such channel, or the window more rows than ``most_rows``.
    """
    record = archive.session(session)
    held = record.channels.get(stream)
    if held is None:
        raise UsageError(
            f"session {session!r} has no stream {stream!r}",
            todo="it has " + ", ".join(record.channels),
        )
    wanted = list(held) if channels is None else channels
    for name in wanted:
        if name not in held:
            raise UsageError(
                f"stream {stream!r} has no channel {name!r}", todo="it has " + ", ".join(held)
            )
    scan = archive.samples(session, stream=stream, channels=wanted, start=start, end=end)
    if most_rows is not None:
        rows = int(scan.select(pl.len()).collect().item())
        if rows > most_rows:
            raise UsageError(
                f"the window has {rows:,} rows, more than the {most_rows:,} of one answer",
                todo="ask for a shorter window",
            )
    return scan.select(TIME, *wanted).collect()


def _frame(rows: list[dict[str, object]], columns: dict[str, Column]) -> pl.DataFrame:
    schema = {name: column.dtype for name, column in columns.items()}
    return pl.DataFrame([{n: row.get(n) for n in schema} for row in rows], schema=schema)
