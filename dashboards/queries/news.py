"""What came on record after a page was made: who did what, for whoever looks at the same."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from replay.archive import Archive
from replay.record import Entry, open_record, same_person
from replay.wording import clock, kind_words

MOST = 50
"""Entries that are told one by one; of more, the last."""


@dataclass(frozen=True, slots=True)
class New:
    """One entry that came since; ``mine``: by whoever asks, perhaps in another tab."""

    seq: int
    kind: str
    session: str
    who: str
    at: datetime
    said: str
    """What was done, to follow the name."""
    flags: tuple[str, ...]
    """Flags that a verdict covers."""
    holds: str
    """What a verdict put on them, in words."""
    mine: bool


def last_entry(archive: Archive) -> int:
    """Return the number of the record's last entry: what a page was made after."""
    return open_record(archive).head()[0]


def since(archive: Archive, seq: int, session: str | None, me: str) -> tuple[int, tuple[New, ...]]:
    """Return the number of the last entry, and what came after ``seq`` on a session, or on all.

    Nothing but the last entry is looked at while nothing came.
    """
    with open_record(archive).as_of_now() as record:
        last = record.head()[0]
        if last <= seq:
            return last, ()
        found = record.entries(session=session or None)
    told = [e for e in found if e.seq > seq and _said(e)]
    return last, tuple(_new(e, me) for e in told[-MOST:])


def verdict_words(archive: Archive, session: str) -> dict[str, str]:
    """Return what holds for each flag of a session that somebody decided on, in words."""
    words: dict[str, str] = {}
    for entry in open_record(archive).entries("verdict", session=session):
        words |= dict.fromkeys(_flags(entry), _holds(entry))
    return words


def _new(entry: Entry, me: str) -> New:
    mine = bool(me) and same_person(entry.who, me)
    return New(
        seq=entry.seq,
        kind=entry.kind,
        session=entry.session,
        who=entry.who,
        at=entry.at,
        said=_said(entry),
        flags=_flags(entry),
        holds=_holds(entry) if entry.kind == "verdict" else "",
        mine=mine,
    )


def _holds(entry: Entry) -> str:
    return f"{(entry.after or {}).get('verdict')}, by {entry.who}, {entry.at:%Y-%m-%d %H:%M} UTC"


def _flags(entry: Entry) -> tuple[str, ...]:
    flags = (entry.after or {}).get("flags", ()) if entry.kind == "verdict" else ()
    return tuple(str(f["flag"]) for f in flags)


def _said(entry: Entry) -> str:
    after: dict[str, Any] = entry.after or {}
    if entry.kind == "verdict":
        return f"put “{after.get('verdict')}” on {_finding(after)}"
    if entry.kind == "pin":
        if not after.get("text"):
            return "withdrew a pin"
        place = f"{after['joint']} at " if after.get("joint") else ""
        return f"pinned at {place}{clock(datetime.fromisoformat(after['start']))}: {after['text']}"
    if entry.kind == "assignment":
        return "took a finding" if entry.what == "taken" else "gave a finding back"
    if entry.kind == "sign-off":
        return "reopened the session" if entry.what == "reopened" else "signed the session"
    return ""


def _finding(after: dict[str, Any]) -> str:
    flags = after.get("flags") or [{}]
    joints = sorted({f["joint"] for f in flags if f.get("joint")})
    where = ", ".join(joints) or "every joint"
    kind, start = flags[0].get("kind"), flags[0].get("start")
    when = f" at {clock(datetime.fromisoformat(start))}" if start else ""
    return f"{where} · {kind_words(kind)}{when}" if kind else where
