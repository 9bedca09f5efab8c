"""The maintenance log: what was done to a unit, and when.

A repair, an adjustment and new lubricant change a unit's level, so its history
is compared only within the sections between them. A replacement begins a new
history even where a log names joints by place and not by serial number.
"""

from __future__ import annotations

import uuid
from datetime import UTC, date, datetime

import polars as pl

from replay.archive import Archive
from replay.errors import UsageError
from replay.record import Draft, Entry, clean_name, clean_text, open_record
from replay.record.entries import stamp
from replay.wear.units.in_sessions import units_in_sessions

KIND = "maintenance"
NOT_NAMED = "not named"
"""Who wrote a note, where the caller does not say."""

WORDS: dict[str, bool] = {
    "replaced": True,
    "relubricated": True,
    "repaired": True,
    "adjusted": True,
    "inspected": False,
}
"""What can have been done, and whether it splits the history."""

SCHEMA: dict[str, pl.DataType] = {
    "note": pl.String(),
    "session": pl.String(),
    "arm": pl.String(),
    "serial": pl.String(),
    "joint": pl.String(),
    "date": pl.Datetime("us", "UTC"),
    "what": pl.String(),
    "detail": pl.String(),
}


def add_maintenance(
    archive: Archive,
    serial: str,
    when: date | datetime | str,
    what: str,
    detail: str = "",
    *,
    arm: str = "",
    joint: str = "",
    new_unit: bool = False,
    by: str = "",
) -> str:
    """Record what was done to a unit; return the note's id.

    Parameters
    ----------
    archive : Archive
    serial : str
        The unit's serial number, as in the arm file.
    when : date, datetime or ISO 8601 str
        A day, or an instant; without an offset it is UTC.
    what : str
        One of `WORDS`.
    detail : str
        Free text.
    arm, joint : str
        Where the unit sat, if known.
    new_unit : bool
        Whether the unit may be one that no session and no note has named yet,
        such as a spare that is going to be installed.
    by : str
        Who did it, or wrote it down.

    Raises
    ------
    UsageError
        When the word or the date is not understood, the serial is empty, or
        nobody knows it and it is not said to be new.
    """
    if not serial.strip():
        raise UsageError("a maintenance note needs the unit's serial number")
    if what not in WORDS:
        raise UsageError(
            f"{what!r} is not a kind of maintenance", todo=f"one of {', '.join(WORDS)}"
        )
    date_of_work = _instant(when)
    if not new_unit:
        known = units_known(archive)
        if serial.strip() not in known:
            raise UsageError(
                f"no session and no note names a unit {serial.strip()!r}",
                todo=f"known are {', '.join(sorted(known)) or 'none'}; "
                "for a unit yet to be installed: --new-unit, new_unit=True",
            )
    note = uuid.uuid4().hex[:12]
    after = {
        "note": note,
        "session": "",
        "arm": arm,
        "serial": serial.strip(),
        "joint": joint,
        "date": stamp(date_of_work),
        "what": what,
        "detail": clean_text(detail, "the note's detail"),
    }
    who = clean_name(by, "who wrote the note") if by else NOT_NAMED
    open_record(archive).append([Draft(kind=KIND, subject=note, what=what, who=who, after=after)])
    return note


def units_known(archive: Archive) -> set[str]:
    """Return the keys of all units that sessions or maintenance notes name."""
    return units_in_sessions(archive) | set(maintenance(archive)["serial"]) - {""}


def maintenance(archive: Archive, serial: str | None = None) -> pl.DataFrame:
    """Return the notes, oldest first; of one unit if asked.

    Parameters
    ----------
    archive : Archive
    serial : str, optional
        Key of one unit; all by default.

    Returns
    -------
    DataFrame
        One row a note: columns of `SCHEMA`.
    """
    rows = [_row(e) for e in open_record(archive).entries(KIND)]
    frame = pl.DataFrame(rows, schema=SCHEMA)
    if serial is not None:
        frame = frame.filter(pl.col("serial") == serial)
    return frame.sort("date", "note")


def _row(entry: Entry) -> dict[str, object]:
    after = entry.after or {}
    row = {name: after.get(name) or "" for name in SCHEMA}
    return row | {"date": datetime.fromisoformat(after["date"])}


def _instant(when: date | datetime | str) -> datetime:
    if isinstance(when, str):
        try:
            when = datetime.fromisoformat(when)
        except ValueError:
            raise UsageError(f"{when!r} is not an ISO 8601 date") from None
    if not isinstance(when, datetime):
        when = datetime(when.year, when.month, when.day)
    return when.replace(tzinfo=UTC) if when.tzinfo is None else when.astimezone(UTC)
