"""What people concluded: a verdict on a finding, which covers each of its flags.

A verdict names the flags that it was given on. In force for a flag is the last
entry of the record that covers it, by the record's order and not by the clock.
A flag that a later check adds is covered by none: its finding is open again.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

import polars as pl

from replay.archive import Archive
from replay.record import Entry
from replay.reviews.findings import Finding
from replay.reviews.following import verdict_entries
from replay.reviews.judgements.dispositions import Disposition, restored

OPEN = "open"
"""A finding nobody has decided on yet, or one that was opened again."""

VERDICTS: dict[str, str] = {
    "explained": "the cause is known and nothing is owed",
    "watch": "no action now; look at this joint again next session",
    "repair": "work on the joint unit is asked for",
    "false-flag": "nothing happened; the check was wrong",
    OPEN: "not decided, or opened again",
}
"""The words a verdict may be, and what each commits to."""

REVIEWS_SCHEMA: dict[str, pl.DataType] = {
    "session": pl.String(),
    "flag": pl.String(),
    "verdict": pl.String(),
    "note": pl.String(),
    "reviewer": pl.String(),
    "at": pl.Datetime("us", "UTC"),
    "joint": pl.String(),
    "kind": pl.String(),
    "start": pl.Datetime("us", "UTC"),
    "end": pl.Datetime("us", "UTC"),
    "seq": pl.Int64(),
}


def covering(archive: Archive, session: str, flags: frozenset[str]) -> list[Entry]:
    """Return the verdicts that touch any of these flags, in the record's order."""
    found = verdict_entries(archive, session)
    return [e for e in found if flags & _covered(e)]


def last_word(archive: Archive, finding: Finding) -> tuple[Entry | None, int]:
    """Return the verdict in force on a finding, and the number of the last that touched it.

    In force is what covers all of its flags and was not followed by another on
    any of them. Otherwise the finding is open, and the entry is None.
    """
    touched = covering(archive, finding.session, finding.names)
    if not touched:
        return None, 0
    last = touched[-1]
    words = {_last_of(touched, flag) for flag in finding.names}
    if finding.names <= _covered(last):
        return last, last.seq
    if len(words) == 1 and None not in words:  # flags judged one by one, all the same
        return last, last.seq
    return None, last.seq


def disposition_in_force(archive: Archive, finding: Finding) -> Disposition | None:
    """Return what holds for a finding; None while it is open."""
    entry, _ = last_word(archive, finding)
    if entry is None or (entry.after or {}).get("verdict") == OPEN:
        return None
    return disposition_of(entry, finding.finding)


def disposition_of(entry: Entry, finding: str) -> Disposition:
    """Return an entry of the record as a disposition."""
    after = entry.after or {}
    reasons = after.get("reasons")
    return Disposition(
        session=entry.session,
        finding=finding,
        flags=tuple(f["flag"] for f in after.get("flags", ())),
        verdict=after.get("verdict", OPEN),
        note=after.get("note") or "",
        reasons=restored(reasons) if reasons else None,
        by=entry.who,
        at=entry.at,
        seq=entry.seq,
    )


def verdict_history(archive: Archive, session: str, flag: str | None = None) -> pl.DataFrame:
    """Return every decision of a session (or one flag), in the record's order.

    Parameters
    ----------
    archive : Archive
    session : str
        Name of a session in the archive.
    flag : str, optional
        One flag; all by default.

    Returns
    -------
    DataFrame
        One row a decision and flag, the oldest first: columns of `REVIEWS_SCHEMA`.
    """
    rows = _flag_rows(verdict_entries(archive, session))
    if flag is not None:
        rows = [r for r in rows if r["flag"] == flag]
    return pl.DataFrame(rows, schema=REVIEWS_SCHEMA)


def verdicts(archive: Archive, session: str | None = None) -> pl.DataFrame:
    """Return the verdict in force for every flag that has one.

    One row a flag, columns as in `REVIEWS_SCHEMA` and ``revisions`` (how many
    decisions were written for it).

    Parameters
    ----------
    archive : Archive
    session : str, optional
        One session; all by default.

    Returns
    -------
    DataFrame
        One row a flag: session, flag, verdict, note, reviewer, at.
    """
    rows = _flag_rows(verdict_entries(archive, session))
    last: dict[tuple[str, str], dict[str, Any]] = {}
    for row in rows:
        key = (row["session"], row["flag"])
        count = last[key]["revisions"] if key in last else 0
        last[key] = row | {"revisions": count + 1}
    schema = {**REVIEWS_SCHEMA, "revisions": pl.Int64()}
    return pl.DataFrame(list(last.values()), schema=schema)


def reviewed_flags(archive: Archive, session: str | None = None) -> pl.DataFrame:
    """Return the flags beside their verdicts, most urgent and rarest first.

    Columns of the table `flags` and ``verdict`` (``"open"`` where nobody
    decided), ``note``, ``reviewer``, ``at``, ``revisions``.

    Parameters
    ----------
    archive : Archive
    session : str, optional
        One session; all by default.

    Returns
    -------
    DataFrame
        Columns of `replay.checks.flags`, and verdict, note, reviewer, at.
    """
    flags = archive.table("flags")
    if not flags.height:
        return flags
    if session is not None:
        flags = flags.filter(pl.col("session") == session)
    decided = verdicts(archive, session).select(
        "session", "flag", "verdict", "note", "reviewer", "at", "revisions"
    )
    urgency = pl.col("severity").replace_strict({"act": 0, "look": 1, "note": 2}, default=3)
    return (
        flags.join(decided, on=["session", "flag"], how="left")
        .with_columns(
            pl.col("verdict").fill_null(OPEN),
            pl.col("note").fill_null(""),
            pl.col("reviewer").fill_null(""),
            pl.col("revisions").fill_null(0),
        )
        .sort(urgency, -pl.col("score"), "start", "flag")
    )


def orphaned_verdicts(archive: Archive, session: str | None = None) -> pl.DataFrame:
    """Return verdicts whose flag a later check no longer raises.

    They are shown, not dropped: someone decided something here.

    Parameters
    ----------
    archive : Archive
    session : str, optional
        One session; all by default.

    Returns
    -------
    DataFrame
        Columns of `verdicts`.
    """
    decided = verdicts(archive, session)
    flags = archive.table("flags")
    if not flags.height:
        return decided
    return decided.join(flags.select("session", "flag"), on=["session", "flag"], how="anti")


def _covered(entry: Entry) -> frozenset[str]:
    return frozenset(f["flag"] for f in (entry.after or {}).get("flags", ()))


def _last_of(entries: list[Entry], flag: str) -> str | None:
    for entry in reversed(entries):
        if flag in _covered(entry):
            after = entry.after or {}
            return None if after.get("reasons") else str(after.get("verdict"))
    return None


def _flag_rows(entries: list[Entry]) -> list[dict[str, Any]]:
    return [
        {
            "session": entry.session,
            "flag": flag["flag"],
            "verdict": (entry.after or {}).get("verdict"),
            "note": (entry.after or {}).get("note") or "",
            "reviewer": entry.who,
            "at": entry.at,
            "joint": flag.get("joint"),
            "kind": flag.get("kind"),
            "start": _instant(flag.get("start")),
            "end": _instant(flag.get("end")),
            "seq": entry.seq,
        }
        for entry in entries
        for flag in (entry.after or {}).get("flags", ())
    ]


def _instant(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)
