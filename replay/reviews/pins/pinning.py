"""Notes pinned to an instant or a span of a session, for whoever looks next.

They are entries of the record: a change is a further entry of the same pin, a
withdrawal one without a text. What was read once can be found again.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import UTC, datetime

import polars as pl

from replay.archive import Archive
from replay.errors import UsageError
from replay.record import Draft, clean_name, clean_text, open_record
from replay.record.entries import stamp
from replay.reviews.pins.pin_tables import KIND, pins

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

    Raises
    ------
    UsageError
        The session has no such pin in force, or nobody is named.
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
