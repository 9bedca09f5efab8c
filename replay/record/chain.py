"""Rows of the record as a chain: read, proved link by link, and begun."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, select

from replay.errors import RecordError
from replay.record.entries import COLUMNS, NOTHING_BEFORE, Draft, Entry, chained, entry_of, row_of
from replay.record.schema import ENTRIES

BEGUN = "record"
"""Kind of the first entry, which names the record."""


def first(name: str) -> Draft:
    """Return the entry that begins a record and names it."""
    return Draft(kind=BEGUN, subject=name, what="begun", who="jointbook", after={"version": 1})


def linked(drafts: Sequence[Draft], head: tuple[int, str]) -> list[dict[str, Any]]:
    """Return drafts as rows that follow a chain's last entry, number and hash."""
    seq, previous = head
    now = datetime.now(UTC)
    rows: list[dict[str, Any]] = []
    for draft in drafts:
        seq += 1
        rows.append(row_of(draft, seq, previous, now))
        previous = rows[-1]["hash"]
    return rows


def numbered(drafts: Sequence[Draft]) -> list[Entry]:
    """Return drafts as entries of a chain that is not written anywhere yet."""
    return [entry_of(row) for row in linked(drafts, (0, NOTHING_BEFORE))]


def sound(rows: Sequence[dict[str, Any]], head: tuple[int, str], name: str) -> list[Entry]:
    """Return rows as entries, once each follows the one before and is what was hashed."""
    seq, previous = head
    for row in rows:
        if row["seq"] != seq + 1 or row["previous"] != previous or chained(row) != row["hash"]:
            raise RecordError(
                f"entry {row['seq']} of the record is not what was put on record",
                file=name,
                todo="`jointbook record verify` says more; `jointbook record restore` builds it "
                "again from the archive's copy",
            )
        seq, previous = row["seq"], row["hash"]
    return [entry_of(r) for r in rows]


def stored_rows(connection: Connection, since: int) -> list[dict[str, Any]]:
    """Return the rows from a number on, in their order, as they are stored."""
    query = select(*(ENTRIES.c[c] for c in COLUMNS)).where(ENTRIES.c.seq >= since)
    return [dict(r) for r in connection.execute(query.order_by(ENTRIES.c.seq)).mappings()]
