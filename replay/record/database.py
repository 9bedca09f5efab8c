"""Where the record's database is, and how to speak with it.

SQLite beside the archive by default; any other database that SQLAlchemy knows
by URL, tried with PostgreSQL. A file is opened afresh for every piece of work:
one that was moved away is noticed, not written into unseen.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError
from sqlalchemy.pool import NullPool

from replay.archive import Archive
from replay.errors import RecordError, first_line
from replay.record.schema import ENTRIES, HEAD_REVISION

SETTING = "JOINTBOOK_RECORD"
"""Environment variable: the URL of the record's database, where it is not the archive's file."""

FOLDER, FILE = "record", "record.sqlite"
WAIT_S = 10.0
"""So long a writer waits for another one before it gives up."""


class Database:
    """The record's database of one archive: reading, writing, making."""

    def __init__(self, url: str | None, path: Path | None) -> None:
        self.path = path
        self._made: Engine | None = None
        self._begun = False
        self._url = url
        self.name = str(path) if path is not None else _shown(url or "")

    @classmethod
    def of(cls, archive: Archive) -> Database:
        """Return the database of an archive's record: by URL if one is set, else its file."""
        url = os.environ.get(SETTING, "").strip()
        if url:
            if not url.startswith("sqlite:///"):
                return cls(url, None)
            return cls(None, Path(url.removeprefix("sqlite:///")))
        folder = archive.place.folder
        if folder is None:
            raise RecordError(
                "an archive in an object store has no place for the record's database",
                file=archive.place,
                todo=f"set {SETTING} to a database's URL, such as postgresql+psycopg://…",
            )
        return cls(None, folder / FOLDER / FILE)

    def exists(self) -> bool:
        """Tell whether there is a record in the database.

        A file without a table is none: somebody is making it at this moment, or
        died while making it.
        """
        if self.path is not None:
            there = self.path.exists() and self.path.stat().st_size > 0
            if not there or self._begun:
                self._begun = there
                return there
        with self._told(), self._engine().connect() as connection:
            self._begun = inspect(connection).has_table(ENTRIES.name)
        return self._begun

    @contextlib.contextmanager
    def reading(self) -> Iterator[Connection]:
        """Give a connection that sees one state of the record."""
        with self._told(), self._engine().connect() as connection:
            self._refuse_other_version(connection)
            yield connection

    @contextlib.contextmanager
    def writing(self, *, make: bool = False) -> Iterator[Connection]:
        """Give the one connection that may write; what it wrote holds when it ends well.

        With ``make``, the tables are made or brought up to date first.
        """
        if make and self.path is not None and not self.path.exists():
            with self._told():
                self.path.parent.mkdir(parents=True, exist_ok=True)
        with (
            self._told(),
            self._engine()
            .connect()
            .execution_options(jointbook_writes=True, jointbook_makes=make) as connection,
            connection.begin(),
        ):
            if connection.dialect.name == "postgresql":
                connection.execute(text("SELECT pg_advisory_xact_lock(40817)"))
            if make:
                _migrate(connection)
            else:
                self._refuse_other_version(connection)
            yield connection

    def _refuse_other_version(self, connection: Connection) -> None:
        found = _revision(connection)
        if found == HEAD_REVISION:
            return
        if found is None:
            raise RecordError("there is no record in this database", file=self.name)
        newer = found > HEAD_REVISION
        raise RecordError(
            f"the record has schema {found}, this program works with {HEAD_REVISION}",
            file=self.name,
            todo="use a newer jointbook" if newer else "`jointbook record move` brings it up",
        )

    def _engine(self) -> Engine:
        if self._made is None:
            self._made = _file_engine(self.path) if self.path else _server_engine(self._url or "")
        return self._made

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        """Turn a database's errors into what a person can act on."""
        try:
            yield
        except (DBAPIError, sqlite3.Error) as error:
            what, todo = _in_words(getattr(error, "orig", None) or error, self.path)
            raise RecordError(what, file=self.name, todo=todo) from error
        except OSError as error:
            raise RecordError(
                f"the record cannot be written: {error.strerror or error}", file=self.name
            ) from error


_WORDS: tuple[tuple[str, str, str], ...] = (
    ("locked", f"the record is busy: somebody has held it for {WAIT_S:g} s",
     "nothing was written; try again"),
    ("full", "the disk is full, nothing was written", "make room and try again"),
    ("disk i/o", "the disk failed while the record was used, nothing was written",
     "look at the disk, then run `jointbook record verify`"),
    ("readonly", "the record can only be read here, nothing was written",
     "ask who owns the archive for the right to write"),
    ("only grows", "the record only grows: an entry cannot be changed or taken out",
     "put a correction on record instead"),
    ("malformed", "the record's database is damaged",
     "`jointbook record verify` says how far; `jointbook record restore` builds it from its copy"),
    ("not a database", "the file is no database",
     "`jointbook record restore` builds it from the archive's copy"),
    ("unable to open", "the record's database cannot be opened",
     "is its disk there, and may you write to its folder?"),
)  # fmt: skip


def _in_words(said: BaseException, path: Path | None) -> tuple[str, str]:
    low = str(said).lower()
    for sign, what, todo in _WORDS:
        if sign in low:
            return what, todo
    first = first_line(said)
    if path is None:
        return (
            f"the record's database did not answer: {first}",
            f"check the server and the URL in {SETTING}",
        )
    return f"the record's database failed: {first}", "`jointbook record verify` says more"


def _shown(url: str) -> str:
    try:
        return make_url(url).render_as_string(hide_password=True)
    except ArgumentError:
        return SETTING


def _file_engine(path: Path) -> Engine:
    def connect(mode: str) -> sqlite3.Connection:
        made = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode={mode}",
            uri=True,
            timeout=WAIT_S,
            isolation_level=None,
            check_same_thread=False,
        )
        # a power cut after the answer must not lose the entry, nor the name of the journal
        made.execute("PRAGMA synchronous=EXTRA")
        return made

    engine = create_engine(
        "sqlite://",
        creator=lambda: connect("rwc" if not path.exists() else "rw"),
        poolclass=NullPool,
    )

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get("jointbook_writes")
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _server_engine(url: str) -> Engine:
    try:
        return create_engine(url, pool_pre_ping=True, pool_size=2)
    except (ArgumentError, NoSuchModuleError, ModuleNotFoundError) as error:
        raise RecordError(
            f"{SETTING} is not the URL of a database that can be used: {first_line(error)}",
            todo="write it as postgresql+psycopg://user@host/database",
        ) from None


def _revision(connection: Connection) -> str | None:
    if not inspect(connection).has_table("alembic_version"):
        return None
    found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    return None if found is None else str(found)


def _migrate(connection: Connection) -> None:
    """Bring the tables up to this program's revision, in the transaction under way."""
    found = _revision(connection)
    if found is not None and found >= HEAD_REVISION:
        if found > HEAD_REVISION:
            raise RecordError(f"the record has schema {found}", todo="use a newer jointbook")
        return
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", "replay.record:migrations")
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
