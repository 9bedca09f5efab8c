"""One thing that a person put on record, and the chain that holds them together.

An entry says who did what to which subject, when, and what was in force before
and after. Its hash covers all of that and the hash of the entry before it
(SHA-256 over a JSON list), so no entry can be changed, left out or put between
two others without every later hash being wrong. Entries are in the order of
``seq``, never of the clock: a clock may be set back.
"""

from __future__ import annotations

import hashlib
import unicodedata
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import orjson

from replay.errors import UsageError

NOTHING_BEFORE = "0" * 64
"""What the first entry names as the hash before it."""

LONGEST_NAME = 120
LONGEST_TEXT = 4000
LONGEST_ENTRY = 4_000_000
"""Bytes of one entry's content, beyond which it is refused: a record is no file store."""

_TURNS_TEXT = {*range(0x202A, 0x202F), *range(0x2066, 0x206A)}
"""Characters that make later ones run the other way: a name could read as another."""


@dataclass(frozen=True, slots=True)
class Draft:
    """What is to be put on record; `Record.append` gives it its place in the chain."""

    kind: str
    subject: str
    what: str
    who: str
    session: str = ""
    before: dict[str, Any] | None = None
    after: dict[str, Any] | None = None
    at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the record, as it stands in the chain.

    ``kind`` is the sort of thing (``verdict``, ``pin``, ``sign-off``, …),
    ``subject`` which one, ``what`` what was done to it.
    """

    seq: int
    kind: str
    subject: str
    session: str
    who: str
    at: datetime
    what: str
    before: dict[str, Any] | None
    after: dict[str, Any] | None
    previous: str
    hash: str


def packed(content: dict[str, Any] | None) -> str | None:
    """Return an entry's content as the text that is stored and hashed."""
    if content is None:
        return None
    try:
        text = orjson.dumps(content, option=orjson.OPT_SORT_KEYS | orjson.OPT_UTC_Z)
    except TypeError as error:
        raise UsageError(f"this cannot be put on record: {error}") from error
    if len(text) > LONGEST_ENTRY:
        raise UsageError(
            f"this is {len(text):,} bytes long, too much for one entry of the record",
            todo=f"at most {LONGEST_ENTRY:,}; keep long papers elsewhere and name them here",
        )
    return text.decode()


def unpacked(text: str | None) -> dict[str, Any] | None:
    """Return an entry's content from its stored text."""
    return None if text is None else dict(orjson.loads(text))


def chained(row: dict[str, Any]) -> str:
    """Return the hash of a stored row: over all its columns but the hash itself."""
    covered = [row[c] for c in COVERED]
    return hashlib.sha256(orjson.dumps(covered)).hexdigest()


COVERED = (
    "seq", "kind", "subject", "session", "who", "at", "what", "before", "after", "previous",
)  # fmt: skip
COLUMNS = (*COVERED, "hash")


def row_of(draft: Draft, seq: int, previous: str, now: datetime) -> dict[str, Any]:
    """Return the row that puts a draft at a place of the chain."""
    row: dict[str, Any] = {
        "seq": seq,
        "kind": draft.kind,
        "subject": draft.subject,
        "session": draft.session,
        "who": draft.who,
        "at": stamp(draft.at or now),
        "what": draft.what,
        "before": packed(draft.before),
        "after": packed(draft.after),
        "previous": previous,
    }
    return row | {"hash": chained(row)}


def entry_of(row: dict[str, Any]) -> Entry:
    """Return the entry that a stored row is."""
    return Entry(
        **{c: row[c] for c in ("seq", "kind", "subject", "session", "who", "what")},
        at=instant(row["at"]),
        before=unpacked(row["before"]),
        after=unpacked(row["after"]),
        previous=row["previous"],
        hash=row["hash"],
    )


def stamp(when: datetime) -> str:
    """Return an instant as it is stored: UTC, microseconds, ``Z``."""
    text = when.astimezone(UTC).isoformat(timespec="microseconds")
    return text.replace("+00:00", "Z")


def instant(text: str) -> datetime:
    """Return the instant of a stored text."""
    return datetime.fromisoformat(text)


def clean_name(name: str, what: str = "this needs a name") -> str:
    """Return a person's name, in any script, fit to be put on record.

    Parameters
    ----------
    name : str
    what : str
        What the error says where there is no name.

    Raises
    ------
    UsageError
        None, too long, or with characters that do not print or that turn the
        direction of what follows.
    """
    return _clean(name, what, LONGEST_NAME, lines=False)


def clean_text(text: str, what: str = "the note", *, longest: int = LONGEST_TEXT) -> str:
    """Return a text fit to be put on record; it may be empty and have lines.

    Parameters
    ----------
    text : str
    what : str
        What the error calls it.
    longest : int
        Characters that it may have.

    Raises
    ------
    UsageError
        Too long, or with characters that do not print.
    """
    return _clean(text, what, longest, lines=True) if text.strip() else ""


def _clean(text: str, what: str, longest: int, *, lines: bool) -> str:
    if len(text) > longest:  # before any work on it: somebody may send megabytes
        raise UsageError(f"{what}: {len(text)} characters", todo=f"at most {longest}")
    made = unicodedata.normalize("NFC", text.replace("\r\n", "\n").strip())
    if not made:
        raise UsageError(what, todo=f"1 to {longest} characters")
    kept = {"\n", "\t"} if lines else set()
    for letter in made:
        sort = unicodedata.category(letter)
        if (sort in ("Cc", "Cs") and letter not in kept) or (
            not lines and ord(letter) in _TURNS_TEXT
        ):
            raise UsageError(
                f"{what}: it has a character that does not print (U+{ord(letter):04X})",
                todo="type it again without",
            )
    return made


def same_person(one: str, other: str) -> bool:
    """Return whether two names are one name, however they are written.

    Parameters
    ----------
    one, other : str
        Names, as people wrote them.
    """

    def plain(name: str) -> str:
        return " ".join(unicodedata.normalize("NFKC", name).casefold().split())

    return plain(one) == plain(other)
