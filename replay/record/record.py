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

from sqlalchemy import Connection, insert

from replay.archive import Archive
from replay.errors import JointbookError, RecordError
from replay.record import copies
from replay.record.chain import BEGUN, first, linked, numbered, sound, stored_rows
from replay.record.database import Database
from replay.record.entries import Draft, Entry, entry_of
from replay.record.index import Index
from replay.record.legacy import kept_before
from replay.record.legacy import version as before_version
from replay.record.schema import ENTRIES

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
        self._index = Index()

    # reading ----------------------------------------------------------------
    def entries(
        self, kind: str | None = None, *, session: str | None = None, subject: str | None = None
    ) -> list[Entry]:
        """Return entries in their order, all or those of a kind, session or subject."""
        with self._lock:
            self._catch_up()
            return self._index.entries(kind, session, subject)

    def last(self, kind: str, subject: str) -> Entry | None:
        """Return the entry in force for a subject; None where nobody gave one."""
        with self._lock:
            self._catch_up()
            return self._index.last(kind, subject)

    def in_force(self, kind: str) -> dict[str, Entry]:
        """Return the last entry of each subject of a kind, by subject."""
        with self._lock:
            self._catch_up()
            return self._index.last_of_each(kind)

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
            return self._index.head

    @property
    def name(self) -> str:
        """The record's own name, written into its first entry; empty before it was begun."""
        first = self._index.all[0] if self._index.all and self._there else None
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
            self._index.take(made)
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
                copies.keep(self._archive, self.name, self._index.all)
            except (JointbookError, OSError) as error:
                _log.warning("the record's copy in the archive is behind: %s", error)
                return False
        return True

    # inside -----------------------------------------------------------------
    def _catch_up(self) -> None:
        """Read what came since; before there is a database, what the tables hold."""
        if self._inside:
            return
        archive = self._archive
        if not self._present(archive):
            now = before_version(archive)
            if now != self._before or not self._index.all:
                self._index.clear()
                self._index.take(numbered([first("not begun"), *kept_before(archive)]))
                self._before = now
            return
        with self.database.reading() as connection:
            self._read_on(connection)
        self._refuse_foreign(archive)

    def _present(self, archive: Archive) -> bool:
        if self.database.exists():
            if not self._there:
                self._index.clear()
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
        seq, known = self._index.head
        rows = stored_rows(connection, seq)
        if seq and (not rows or rows[0]["hash"] != known):
            self._index.clear()  # another database than the one read before
            rows = stored_rows(connection, 0)
        elif seq:
            rows = rows[1:]
        self._index.take(sound(rows, self._index.head, self.database.name))

    def _begin_if_new(self, archive: Archive) -> int:
        if self._present(archive):
            return 0
        with self.database.writing(make=True) as connection:
            self._index.clear()
            self._index.take(
                sound(stored_rows(connection, 0), self._index.head, self.database.name)
            )
            if not self._index.all:  # else somebody began it a moment ago
                drafts = [first(uuid.uuid4().hex), *kept_before(archive)]
                self._index.take(self._insert(connection, drafts))
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
        rows = linked(drafts, self._index.head)
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
