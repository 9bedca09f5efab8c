"""What a person decided about a flag: a verdict, a note, who and when.

The table `reviews` only grows. The newest row of a flag is its verdict, the
older ones are its history; nothing that was once decided is overwritten. A
row repeats what the flag said (joint, kind, span), so that a decision stays
readable after a later check has replaced the flag itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import polars as pl

from replay.archive import Archive
from replay.errors import UsageError

OPEN = "open"
"""A flag nobody has decided on yet, or one that was opened again."""

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
}

LONGEST_NOTE = 4000
LONGEST_NAME = 120


@dataclass(frozen=True, slots=True)
class Verdict:
    """One decision about one flag."""

    session: str
    flag: str
    verdict: str
    note: str
    reviewer: str
    at: datetime


def give_verdict(
    archive: Archive,
    session: str,
    flag: str,
    verdict: str,
    *,
    reviewer: str,
    note: str = "",
    at: datetime | None = None,
) -> Verdict:
    """Write a verdict on a flag; earlier verdicts stay in its history.

    Parameters
    ----------
    archive : Archive
    session, flag : str
        The flag must be in the table `flags`.
    verdict : str
        One of `VERDICTS`. ``"open"`` opens the flag again.
    reviewer : str
        Who decided. Never empty: a decision without a name is not one.
    note : str
        Why, in the reviewer's words. Needed for ``"false-flag"`` and
        ``"repair"``, because someone else will act on them.
    at : datetime, optional
        UTC; now when left out.

    Raises
    ------
    UsageError
        Unknown flag or verdict, no name, a missing or overlong note.
    """
    reviewer, note = reviewer.strip(), note.strip()
    if verdict not in VERDICTS:
        raise UsageError(f"no verdict {verdict!r}", todo="use one of " + ", ".join(VERDICTS))
    if not reviewer or len(reviewer) > LONGEST_NAME:
        raise UsageError(
            "a verdict needs the reviewer's name", todo=f"1 to {LONGEST_NAME} characters"
        )
    if verdict in ("repair", "false-flag") and not note:
        raise UsageError(f"the verdict {verdict!r} needs a note", todo="say why in a sentence")
    if len(note) > LONGEST_NOTE:
        raise UsageError(f"the note has {len(note)} characters", todo=f"at most {LONGEST_NOTE}")
    about = _flag_row(archive, session, flag)
    when = (at or datetime.now(UTC)).astimezone(UTC)
    row = pl.DataFrame(
        {
            "session": [session],
            "flag": [flag],
            "verdict": [verdict],
            "note": [note],
            "reviewer": [reviewer],
            "at": [when],
            "joint": [about["joint"]],
            "kind": [about["kind"]],
            "start": [about["start"]],
            "end": [about["end"]],
        },
        schema=REVIEWS_SCHEMA,
    )
    archive.append("reviews", row)
    return Verdict(session, flag, verdict, note, reviewer, when)


def verdict_history(archive: Archive, session: str, flag: str | None = None) -> pl.DataFrame:
    """Return every decision of a session (or one flag), oldest first."""
    frame = archive.table("reviews")
    if not frame.height:
        return pl.DataFrame(schema=REVIEWS_SCHEMA)
    frame = frame.filter(pl.col("session") == session)
    if flag is not None:
        frame = frame.filter(pl.col("flag") == flag)
    return frame.select(list(REVIEWS_SCHEMA)).sort("at", maintain_order=True)


def verdicts(archive: Archive, session: str | None = None) -> pl.DataFrame:
    """Return the verdict in force for every flag that has one.

    One row a flag, columns as in `REVIEWS_SCHEMA` and ``revisions`` (how many
    decisions were written for it).
    """
    frame = archive.table("reviews")
    if not frame.height:
        return pl.DataFrame(schema={**REVIEWS_SCHEMA, "revisions": pl.Int64()})
    if session is not None:
        frame = frame.filter(pl.col("session") == session)
    return (
        frame.sort("at", maintain_order=True)
        .group_by("session", "flag", maintain_order=True)
        .agg(pl.all().last(), pl.len().cast(pl.Int64).alias("revisions"))
        .select([*REVIEWS_SCHEMA, "revisions"])
    )


def reviewed_flags(archive: Archive, session: str | None = None) -> pl.DataFrame:
    """Return the flags beside their verdicts, most urgent and rarest first.

    Columns of the table `flags` and ``verdict`` (``"open"`` where nobody
    decided), ``note``, ``reviewer``, ``at``, ``revisions``.
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
    """
    decided = verdicts(archive, session)
    flags = archive.table("flags")
    if not flags.height:
        return decided
    return decided.join(flags.select("session", "flag"), on=["session", "flag"], how="anti")


def _flag_row(archive: Archive, session: str, flag: str) -> dict[str, object]:
    flags = archive.table("flags")
    found = (
        flags.filter((pl.col("session") == session) & (pl.col("flag") == flag))
        if flags.height
        else flags
    )
    if not found.height:
        raise UsageError(
            f"session {session!r} has no flag {flag!r}",
            todo="`jointbook flags` lists them; a new check may have replaced it",
        )
    return found.row(0, named=True)
