"""A session is taken out: what was flagged and decided on it stays on record, as withdrawn."""

from __future__ import annotations

from typing import Any

import polars as pl

from replay.archive import Archive
from replay.record import Draft, open_record


def withdraw(
    archive: Archive,
    session: str,
    *,
    who: str,
    why: str,
    instead: str = "",
    flags: pl.DataFrame | None = None,
) -> dict[str, Any]:
    """Take a session out of the catalogue and put it on record, with the flags that it had.

    Parameters
    ----------
    who, why : str
        Kept on the record.
    instead : str
        The session that took its place already, when the log was taken in again.
    flags : polars.DataFrame, optional
        The table of flags as it was before that.

    Raises
    ------
    ArchiveError
        There is no such session.
    """
    if not instead:
        archive.session(session)
    held = archive.table("flags") if flags is None else flags
    note = withdrawal(held, session, who=who, why=why, instead=instead)
    if not instead:
        archive.withdraw(session, reason=why, by=who)
    open_record(archive).append([note])
    assert note.after is not None
    return {"session": session, "flags": len(note.after["flags"]), "instead": instead}


def withdrawal(
    flags: pl.DataFrame, session: str, *, who: str, why: str, instead: str = ""
) -> Draft:
    """Return what goes on record: the reason, and each flag in a sentence."""
    mine = flags.filter(pl.col("session") == session) if flags.height else flags
    kept = (
        [
            {"flag": f, "joint": j, "kind": k, "summary": s}
            for f, j, k, s in mine.select("flag", "joint", "kind", "summary").iter_rows()
        ]
        if mine.height
        else []
    )
    return Draft(
        kind="session",
        subject=session,
        what="withdrawn",
        who=who,
        session=session,
        after={"why": why, "instead": instead, "flags": kept},
    )
