"""Read the record, add to it.

Everything that was put on record is a row of one table that only grows; what
is in force is the last row of its subject. A process keeps what it has read
and asks only for what came since. Writers take turns; under its turn a writer
sees every entry before its own, so it can be told what it had not seen.
"""

from __future__ import annotations

import contextlib
import logging
import threading
import uuid
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, insert, select

from replay.archive import Archive
from replay.errors import JointbookError, RecordError
from replay.record import copies
from replay.record.database import Database
from replay.record.entries import COLUMNS, NOTHING_BEFORE, Draft, Entry, chained, entry_of, row_of
from replay.record.legacy import kept_before
from replay.record.legacy import version as before_version
from replay.record.schema import ENTRIES

BEGUN = "record"
"""Kind of the first entry, which names the record."""

_log = logging.getLogger(__name__)


class Record:
    """What people put on record about one archive."""

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self.database = Database.of(archive)
        self._lock = threading.RLock()
        self._inside = False
        self._there = False
        self._before: tuple[object, ...] = ()
        self._clear()

    # reading ----------------------------------------------------------------
    def entries(
        self, kind: str | None = None, *, session: str | None = None, subject: str | None = None
    ) -> list[Entry]:
        """Return entries in their order, all or those of a kind, session or subject."""
        with self._lock:
            self._catch_up()
            if kind is not None and subject is not None:
                found = self._of_subject.get((kind, subject), [])
            elif session is not None:
                found = self._of_session.get(session, [])
            elif kind is not None:
                found = self._of_kind.get(kind, [])
            else:
                found = self._entries
            return [
                e
                for e in found
                if (kind is None or e.kind == kind)
                and (session is None or e.session == session)
                and (subject is None or e.subject == subject)
            ]

    def last(self, kind: str, subject: str) -> Entry | None:
        """Return the entry in force for a subject; None where nobody gave one."""
        with self._lock:
            self._catch_up()
            found = self._of_subject.get((kind, subject))
            return found[-1] if found else None

    def in_force(self, kind: str) -> dict[str, Entry]:
        """Return the last entry of each subject of a kind, by subject."""
        with self._lock:
            self._catch_up()
            return {e.subject: e for e in self._of_kind.get(kind, [])}

    @contextlib.contextmanager
    def as_of_now(self) -> Iterator[Record]:
        """Ask many things of one state of the record: it is caught up with once, here."""
        with self._lock:
            self._catch_up()
            before, self._inside = self._inside, True
            try:
                yield self
            finally:
                self._inside = before

    def head(self) -> tuple[int, str]:
        """Return number and hash of the last entry; ``(0, zeros)`` when there is none."""
        with self._lock:
            self._catch_up()
            return self._head()

    @property
    def name(self) -> str:
        """The record's own name, written into its first entry; empty before it was begun."""
        first = self._entries[0] if self._entries and self._there else None
        return first.subject if first is not None and first.kind == BEGUN else ""

    # writing ----------------------------------------------------------------
    def append(
        self, drafts: Sequence[Draft], *, guard: Callable[[Record], None] | None = None
    ) -> tuple[Entry, ...]:
        """Put drafts on record, all or none, and return their entries.

        Parameters
        ----------
        drafts : sequence of Draft
        guard : callable, optional
            Called under this writer's turn, with everything before in sight;
            what it raises leaves the record as it was.

        Raises
        ------
        RecordError
            Busy, full, gone, read-only or damaged; nothing was written then.
        """
        archive = self._archive
        with self._lock:
            self._begin_if_new(archive)
            with self.database.writing() as connection:
                self._read_on(connection)
                self._refuse_foreign(archive)
                if guard is not None:
                    self._inside = True
                    try:
                        guard(self)
                    finally:
                        self._inside = False
                made = self._insert(connection, drafts)
            self._take(made)
        self.copy()
        return made

    def begin(self) -> int:
        """Make the database if there is none, with what the archive's tables hold.

        Returns how many entries were moved; 0 when the record was there.
        """
        archive = self._archive
        with self._lock:
            moved = self._begin_if_new(archive)
            if not moved:
                with self.database.writing(
                    make=True
                ) as connection:  # an older schema is brought up
                    self._read_on(connection)
        self.copy()
        return moved

    def copy(self) -> bool:
        """Bring the archive's own copy up to the last entry; tell whether it is.

        A copy that cannot be written is logged and made good by the next entry:
        what was put on record is safe in the database already.
        """
        with self._lock:
            try:
                copies.keep(self._archive, self.name, self._entries)
            except (JointbookError, OSError) as error:
                _log.warning("the record's copy in the archive is behind: %s", error)
                return False
        return True

    # inside -----------------------------------------------------------------
    def _clear(self) -> None:
        self._entries: list[Entry] = []
        self._of_subject: dict[tuple[str, str], list[Entry]] = {}
        self._of_session: dict[str, list[Entry]] = {}
        self._of_kind: dict[str, list[Entry]] = {}

    def _take(self, entries: Sequence[Entry]) -> None:
        for entry in entries:
            self._entries.append(entry)
            self._of_subject.setdefault((entry.kind, entry.subject), []).append(entry)
            self._of_session.setdefault(entry.session, []).append(entry)
            self._of_kind.setdefault(entry.kind, []).append(entry)

    def _head(self) -> tuple[int, str]:
        return (self._entries[-1].seq, self._entries[-1].hash) if self._entries else (0, "0" * 64)

    def _catch_up(self) -> None:
        """Read what came since; before there is a database, what the tables hold."""
        if self._inside:
            return
        archive = self._archive
        if not self._present(archive):
            now = before_version(archive)
            if now != self._before or not self._entries:
                self._clear()
                self._take(_numbered([_first(archive, "not begun"), *kept_before(archive)]))
                self._before = now
            return
        with self.database.reading() as connection:
            self._read_on(connection)
        self._refuse_foreign(archive)

    def _present(self, archive: Archive) -> bool:
        if self.database.exists():
            if not self._there:
                self._clear()
                self._there = True
            return True
        if self._there or copies.head(archive) is not None:
            raise RecordError(
                "the record's database has gone",
                file=self.database.name,
                todo="put it back, or build it from the archive's copy: `jointbook record restore`",
            )
        return False

    def _read_on(self, connection: Connection) -> None:
        seq, known = self._head()
        rows = stored_rows(connection, seq)
        if seq and (not rows or rows[0]["hash"] != known):
            self._clear()  # another database than the one read before
            rows = stored_rows(connection, 0)
        elif seq:
            rows = rows[1:]
        self._take(_sound(rows, self._head(), self.database.name))

    def _begin_if_new(self, archive: Archive) -> int:
        if self._present(archive):
            return 0
        with self.database.writing(make=True) as connection:
            self._clear()
            self._take(_sound(stored_rows(connection, 0), self._head(), self.database.name))
            if not self._entries:  # else somebody began it a moment ago
                drafts = [_first(archive, uuid.uuid4().hex), *kept_before(archive)]
                self._take(self._insert(connection, drafts))
                moved = len(drafts) - 1
            else:
                moved = 0
        self._there = True
        return moved

    def _refuse_foreign(self, archive: Archive) -> None:
        kept = copies.head(archive)
        if kept is not None and self.name and kept["record"] != self.name:
            raise RecordError(
                "this database holds the record of another archive",
                file=self.database.name,
                todo="give each archive a database, or a schema, of its own",
            )

    def _insert(self, connection: Connection, drafts: Sequence[Draft]) -> tuple[Entry, ...]:
        seq, previous = self._head()
        now = datetime.now(UTC)
        rows: list[dict[str, Any]] = []
        for draft in drafts:
            seq += 1
            rows.append(row_of(draft, seq, previous, now))
            previous = rows[-1]["hash"]
        if rows:
            connection.execute(insert(ENTRIES), rows)
        return tuple(entry_of(r) for r in rows)


_opening = threading.Lock()


def open_record(archive: Archive) -> Record:
    """Return the record of an archive; one object an open archive.

    Nothing is made until the first entry is written: until then the record
    shows what the archive's own tables hold.
    """
    with _opening:
        known = archive.attached.get("record")
        if not isinstance(known, Record) or known.database.name != Database.of(archive).name:
            known = archive.attached["record"] = Record(archive)
        assert isinstance(known, Record)
        return known


def _first(archive: Archive, name: str) -> Draft:
    return Draft(kind=BEGUN, subject=name, what="begun", who="jointbook", after={"version": 1})


def _numbered(drafts: Sequence[Draft]) -> list[Entry]:
    """Return drafts as entries of a chain that is not written anywhere yet."""
    made: list[Entry] = []
    previous = NOTHING_BEFORE
    for seq, draft in enumerate(drafts, 1):
        made.append(entry_of(row_of(draft, seq, previous, datetime.now(UTC))))
        previous = made[-1].hash
    return made


def _sound(rows: Sequence[dict[str, Any]], head: tuple[int, str], name: str) -> list[Entry]:
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
