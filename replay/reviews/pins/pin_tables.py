"""The pins of a session as tables: those in force, and all that were ever written."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import polars as pl

from replay.archive import Archive
from replay.record import Entry, open_record
from replay.reviews.names import names_of

KIND = "pin"

PINS_SCHEMA: dict[str, pl.DataType] = {
    "session": pl.String(),
    "pin": pl.String(),
    "start": pl.Datetime("us", "UTC"),
    "end": pl.Datetime("us", "UTC"),
    "joint": pl.String(),
    "text": pl.String(),
    "author": pl.String(),
    "at": pl.Datetime("us", "UTC"),
}


def pins(
    archive: Archive,
    session: str,
    *,
    start: datetime | None = None,
    end: datetime | None = None,
) -> pl.DataFrame:
    """Return the pins in force that touch a span, earliest first.

    Parameters
    ----------
    archive : Archive
    session : str
        Name of a session in the archive.
    start : datetime, optional
        From here on; with a time zone.
    end : datetime, optional
        Up to here; with a time zone.

    Returns
    -------
    DataFrame
        One row a pin, with its newest text: columns of `PINS_SCHEMA`.
    """
    frame = (
        pin_history(archive, session)
        .group_by("pin", maintain_order=True)
        .agg(pl.all().last())
        .select(list(PINS_SCHEMA))
        .filter(pl.col("text") != "")
    )
    if start is not None:
        frame = frame.filter(pl.col("end") >= start)
    if end is not None:
        frame = frame.filter(pl.col("start") <= end)
    return frame.sort("start", "pin")


def pin_history(archive: Archive, session: str) -> pl.DataFrame:
    """Return every row ever written for a session's pins, in the record's order.

    Parameters
    ----------
    archive : Archive
    session : str
        Name of a session in the archive.

    Returns
    -------
    DataFrame
        One row an entry, withdrawn pins too (their ``text`` is empty): columns of `PINS_SCHEMA`.
    """
    names = names_of(archive, session)
    record = open_record(archive)
    entries = sorted(
        (e for n in names for e in record.entries(KIND, session=n)), key=lambda e: e.seq
    )
    return pl.DataFrame([_row(e) | {"session": session} for e in entries], schema=PINS_SCHEMA)


def _row(entry: Entry) -> dict[str, Any]:
    after = entry.after or {}
    return {
        "session": entry.session,
        "pin": entry.subject,
        "start": datetime.fromisoformat(after["start"]),
        "end": datetime.fromisoformat(after["end"]),
        "joint": after.get("joint"),
        "text": after.get("text") or "",
        "author": entry.who,
        "at": entry.at,
    }
