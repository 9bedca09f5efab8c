"""Notes pinned to an instant or a span of a session, for whoever looks next.

They are entries of the record: a change is a further entry of the same pin, a
withdrawal one without a text. What was read once can be found again.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import polars as pl

from replay.archive import Archive
from replay.errors import UsageError
from replay.record import Draft, Entry, clean_name, clean_text, open_record
from replay.record.entries import stamp
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

LONGEST_TEXT = 2000


@dataclass(frozen=True, slots=True)
class Pin:
    """A note on an instant (``start == end``) or a span; joint None: all."""

    session: str
    pin: str
    start: datetime
    end: datetime
    joint: str | None
    text: str
    author: str
    at: datetime


def add_pin(
    archive: Archive,
    session: str,
    start: datetime,
    end: datetime | None = None,
    *,
    text: str,
    author: str,
    joint: str | None = None,
    pin: str | None = None,
    at: datetime | None = None,
) -> Pin:
    """Pin a note to a session; with ``pin``, change the note of that name.

    Parameters
    ----------
    archive : Archive
    session : str
        Name of a session in the archive.
    start : datetime
        The instant, or where the span begins.
    end : datetime, optional
        Where the span ends.
    text : str
        The note.
    author : str
        The person's name.
    joint : str, optional
        The joint concerned.
    pin : str, optional
        Name of the pin to change; a new one is made by default.
    at : datetime, optional
        When; now by default.

    Returns
    -------
    Pin
        The pin as it now stands.

    Raises
    ------
    UsageError
        No text or author, an end before the start, a span outside the
        session, or a joint that the session does not have.
    """
    record = archive.session(session)
    text = clean_text(text, "a pin needs a text", longest=LONGEST_TEXT)
    author = clean_name(author, "a pin needs its author's name")
    stop = end if end is not None else start
    if not text:
        raise UsageError("a pin needs a text", todo=f"1 to {LONGEST_TEXT} characters")
    if stop < start:
        raise UsageError(f"the pin ends at {stop} before it starts at {start}")
    if stop < record.start or start > record.end:
        raise UsageError(
            f"the pin at {start} lies outside the session ({record.start} to {record.end})"
        )
    if joint is not None and joint not in record.joints:
        raise UsageError(
            f"session {session!r} has no joint {joint!r}", todo="one of " + ", ".join(record.joints)
        )
    made = Pin(
        session,
        pin or "p" + secrets.token_hex(4),
        start.astimezone(UTC),
        stop.astimezone(UTC),
        joint,
        text,
        author,
        (at or datetime.now(UTC)).astimezone(UTC),
    )
    _append(archive, made)
    return made


def withdraw_pin(
    archive: Archive, session: str, pin: str, *, author: str, at: datetime | None = None
) -> None:
    """Take a pin off the plots; its history stays in the table.

    Parameters
    ----------
    archive : Archive
    session : str
        Name of a session in the archive.
    pin : str
        Name of the pin.
    author : str
        The person's name.
    at : datetime, optional
        When; now by default.
    """
    found = pins(archive, session).filter(pl.col("pin") == pin)
    if not found.height:
        raise UsageError(f"session {session!r} has no pin {pin!r}")
    author = clean_name(author, "withdrawing a pin needs a name")
    row = found.row(0, named=True)
    when = (at or datetime.now(UTC)).astimezone(UTC)
    _append(
        archive,
        Pin(session, pin, row["start"], row["end"], row["joint"], "", author, when),
    )


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
        One row a pin, with its newest text.
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
        One row an entry, withdrawn pins too.
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


def _append(archive: Archive, pin: Pin) -> None:
    record = open_record(archive)
    last = record.last(KIND, pin.pin)
    record.append(
        [
            Draft(
                kind=KIND,
                subject=pin.pin,
                session=pin.session,
                what="pinned" if pin.text else "withdrawn",
                who=pin.author,
                at=pin.at,
                before=last.after if last is not None else None,
                after={
                    "pin": pin.pin,
                    "session": pin.session,
                    "start": stamp(pin.start),
                    "end": stamp(pin.end),
                    "joint": pin.joint,
                    "text": pin.text,
                },
            )
        ]
    )
