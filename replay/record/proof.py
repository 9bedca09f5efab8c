"""Prove the chain whole, and build the database again from its copy.

The chain shows any change inside it. That the end is missing it cannot show by
itself: the archive's copy does, and so does a head (``SEQ:HASH``) that somebody
wrote down elsewhere.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import insert

from replay.archive import Archive
from replay.errors import JointbookError, RecordError, UsageError
from replay.record import copies
from replay.record.chain import stored_rows
from replay.record.database import Database
from replay.record.entries import COLUMNS, NOTHING_BEFORE, chained, instant
from replay.record.record import Record, open_record
from replay.record.schema import ENTRIES
from replay.wording import counted


@dataclass(frozen=True, slots=True)
class Damage:
    """One thing that is wrong; ``seq`` 0 where it is not about one entry."""

    seq: int
    what: str


@dataclass(frozen=True, slots=True)
class Proof:
    """What a look at every entry found.

    ``notes`` are no damage: a clock that went back, a copy that is behind.
    """

    entries: int
    head: str
    damages: tuple[Damage, ...]
    notes: tuple[str, ...]

    @property
    def whole(self) -> bool:
        """Whether nothing is wrong."""
        return not self.damages


def prove(archive: Archive, *, head: str | None = None) -> Proof:
    """Look at every entry of the record, and at its copy; never raises for damage.

    Parameters
    ----------
    archive : Archive
    head : str, optional
        ``SEQ:HASH`` as an earlier run printed it; that entry must still be there.
    """
    damages: list[Damage] = []
    notes: list[str] = []
    rows: list[dict[str, Any]] = []
    database: Database | None = None
    begun = False
    try:
        database = Database.of(archive)
        begun = database.exists()
        if begun:
            with database.reading() as connection:
                rows = stored_rows(connection, 0)
        elif copies.head(archive) is not None:
            damages.append(Damage(0, "the record's database has gone"))
        else:
            notes.append("no record was begun; the archive's own tables hold what people gave")
    except RecordError as error:
        damages.append(Damage(0, error.sentence()))
    damages += broken_links(rows)
    notes += clock_notes(rows)
    if begun:
        damages += _against_copy(archive, rows, notes)
    if head is not None:
        damages += _against_head(rows, head)
    last = f"{rows[-1]['seq']}:{rows[-1]['hash']}" if rows else f"0:{NOTHING_BEFORE}"
    return Proof(len(rows), last, tuple(damages), tuple(notes))


def broken_links(rows: Iterable[dict[str, Any]]) -> list[Damage]:
    """Return where a chain of stored rows does not hold; pure.

    A row is wrong when its number does not follow, when it does not name the
    hash before it, or when its own hash is not that of its content.
    """
    found = []
    seq, previous = 0, NOTHING_BEFORE
    for row in rows:
        if row["seq"] != seq + 1:
            found.append(Damage(row["seq"], f"entries {seq + 1} to {row['seq'] - 1} are missing"))
        elif row["previous"] != previous:
            found.append(Damage(row["seq"], "it does not follow the entry before it"))
        if chained(row) != row["hash"]:
            found.append(Damage(row["seq"], "its content is not what was put on record"))
        seq, previous = row["seq"], row["hash"]
    return found


def clock_notes(rows: Iterable[dict[str, Any]]) -> list[str]:
    """Say where the clock went back between two entries that were made by hand; pure."""
    said = []
    before: dict[str, Any] | None = None
    for row in rows:
        if "moved_from" in (row["after"] or ""):
            continue
        if before is not None and instant(row["at"]) < instant(before["at"]):
            said.append(
                f"entry {row['seq']} is stamped {row['at']}, before entry {before['seq']} "
                f"({before['at']}): a clock was set back; the order is that of the numbers"
            )
        before = row
    return said


def restore(archive: Archive) -> int:
    """Build the record's database again from the archive's copy; return its entries.

    What is left of the old database is kept beside it under another name.

    Raises
    ------
    RecordError
        There is no copy, the copy is damaged, or the database is sound and
        holds more than the copy does.
    """
    rows = copies.read(archive)
    if broken := broken_links(rows):
        raise RecordError(
            f"the copy does not hold together: entry {broken[0].seq}: {broken[0].what}",
            todo="look for another copy of the archive",
        )
    database = Database.of(archive)
    there = prove(archive)
    if there.whole and there.entries >= len(rows):
        raise RecordError(
            f"the record is whole and has {counted(there.entries, 'entry', 'entries')}, "
            f"the copy {len(rows)}",
            todo="nothing to restore; `jointbook record export` brings the copy up to it",
        )
    longer = there.entries > len(rows) and all(d.seq for d in there.damages)
    if database.path is None and database.exists():
        raise RecordError(
            "a server's table is not overwritten from here",
            file=database.name,
            todo="make an empty database or schema and name that one",
        )
    if database.path is not None and database.path.exists():
        aside = database.path.with_name(f"damaged-{datetime.now(UTC):%Y%m%dT%H%M%S%f}.sqlite")
        shutil.copy2(database.path, aside)
        os.replace(database.path, aside)
        for ending in ("-journal", "-wal", "-shm"):
            database.path.with_name(database.path.name + ending).unlink(missing_ok=True)
    with database.writing(make=True) as connection:
        if rows:
            connection.execute(insert(ENTRIES), [{c: r[c] for c in COLUMNS} for r in rows])
    if longer:  # said, not hidden: what the copy never had is in the file set aside
        raise RecordError(
            f"restored {counted(len(rows), 'entry', 'entries')}; "
            f"the damaged database had {there.entries}",
            file=database.name,
            todo="the rest is in the file set aside beside it",
        )
    return len(rows)


def _against_copy(archive: Archive, rows: list[dict[str, Any]], notes: list[str]) -> list[Damage]:
    known = copies.head(archive)
    if known is None:
        notes.append("the archive holds no copy of the record: `jointbook record export` makes it")
        return []
    try:
        kept = copies.read(archive)
    except JointbookError as error:
        return [Damage(0, f"the archive's copy is damaged: {error.sentence()}")]
    found = []
    if rows and kept and kept[0]["subject"] != rows[0]["subject"]:
        return [Damage(0, "the archive's copy is of another record")]
    if len(kept) > len(rows):
        found.append(
            Damage(
                0,
                f"the copy has {counted(len(kept), 'entry', 'entries')}, "
                f"the database only {len(rows)}: the end is lost",
            )
        )
    for mine, other in zip(rows, kept, strict=False):
        if mine["hash"] != other["hash"] or chained(other) != other["hash"]:
            found.append(Damage(mine["seq"], "it differs from the archive's copy"))
            break
    if len(kept) < len(rows):
        notes.append(
            f"the archive's copy is behind by "
            f"{counted(len(rows) - len(kept), 'entry', 'entries')}: "
            "`jointbook record export` brings it up"
        )
    return found


def _against_head(rows: list[dict[str, Any]], head: str) -> list[Damage]:
    number, _, wanted = head.partition(":")
    if not number.isdigit() or len(wanted) != 64:
        raise UsageError(
            f"{head!r} is not a head", todo="write it as SEQ:HASH, as verify prints it"
        )
    seq = int(number)
    found = next((r for r in rows if r["seq"] == seq), None)
    if seq and (found is None or found["hash"] != wanted):
        return [Damage(seq, "it is not the entry of the head that was noted")]
    return []


def record_of(archive: Archive) -> Record:
    """Return the archive's record, begun if it was not."""
    record = open_record(archive)
    record.begin()
    return record
