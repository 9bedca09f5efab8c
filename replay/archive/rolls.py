"""Which sessions a table has rows of, under which units: a small summary that is kept.

A document holds it as of one commit; what the commits since are about brings it up to
date (`tables.abouts`), and now and then it is written anew. A commit that does not say
(an older program's) has the table read through once.
"""

from __future__ import annotations

import contextlib
import io
from collections.abc import Iterable
from typing import Any

import polars as pl

from replay.archive import documents, layout
from replay.archive.disk.fence import fenced
from replay.archive.disk.place import Place
from replay.archive.tables.abouts import (
    KEYS,
    NOTHING,
    About,
    keyed,
    keys_of,
    keys_text,
    told_of_keyed,
)
from replay.archive.tables.tables import Tables
from replay.errors import ArchiveError

FOLDER = "rolls"
"""Folder of the documents."""

RENEW = 64
"""So many commits later the document is written anew."""

SCHEMA: dict[str, pl.DataType] = {
    "session": pl.String(),
    "start_us": pl.Int64(),
    "told": pl.String(),
}
"""``told``: see `abouts.keys_of`; few of them differ, since an arm keeps its units."""

MARK = "mark"


class Rolls:
    """The rolls of an archive's tables, as this process last knew them."""

    def __init__(self, root: Place, tables: Tables) -> None:
        self._root = root
        self._tables = tables
        self._held: dict[str, tuple[str, pl.DataFrame]] = {}

    def get(self, name: str) -> pl.DataFrame:
        """Return a table's roll as of its last commit; columns of `SCHEMA`.

        Raises
        ------
        DamageError
            When the kept one is damaged beyond what its copy mends.
        """
        if not self._tables.mark(name):
            return pl.DataFrame(schema=SCHEMA)
        mark, frame = self._held.get(name) or self.kept(name)
        now, since = self._tables.about_since(name, mark)
        if since is None:
            now = self._tables.mark(name)
            frame = roll_of(name, self._tables)
        elif since:
            frame = brought_up(frame, since)
        self._held[name] = now, frame
        if since is None or len(since) >= RENEW:
            with contextlib.suppress(ArchiveError, OSError):  # whoever may not write reads on
                self.keep(name, now, frame)
        return frame

    def forget(self) -> None:
        """Look at all of them afresh next time."""
        self._held.clear()

    def is_true(self, name: str) -> bool:
        """Compare the kept roll, and what commits since say, with the table's rows."""
        mark, frame = self.kept(name)
        since = self._tables.about_since(name, mark)[1]
        if since is None:  # nobody believes it: the next to ask reads the table
            return True
        told = brought_up(frame, since).sort("session")
        return told.equals(roll_of(name, self._tables).sort("session"))

    def kept(self, name: str) -> tuple[str, pl.DataFrame]:
        """Return the mark and the roll that are kept; an empty mark where none is."""
        file = file_of(name)
        if not self._root.child(layout.DIGESTS, layout.DOCUMENTS, f"{file}.json").exists():
            return "", pl.DataFrame(schema=SCHEMA)
        content = documents.read_document(self._root, file)
        with fenced():
            mark = pl.read_parquet_metadata(io.BytesIO(content)).get(MARK, "")
            return mark, pl.read_parquet(io.BytesIO(content)).select(list(SCHEMA))

    def keep(self, name: str, mark: str, frame: pl.DataFrame) -> None:
        """Write a roll as of a mark of its table."""
        content = io.BytesIO()
        arranged = frame.sort("start_us", "session")
        arranged.write_parquet(content, compression="zstd", metadata={MARK: mark})
        with self._tables.writing():
            documents.write_document(self._root, file_of(name), content.getvalue())


def file_of(name: str) -> str:
    """Return the document of a table's roll."""
    return f"{FOLDER}/{name}.parquet"


def roll_of(name: str, tables: Tables) -> pl.DataFrame:
    """Return a table's roll from its rows."""
    scanned = tables.scan(name)
    if scanned is None:
        return pl.DataFrame(schema=SCHEMA)
    return _frame(told_of_keyed(keyed(name, scanned).collect()))


def brought_up(frame: pl.DataFrame, since: Iterable[About]) -> pl.DataFrame:
    """Return a roll after some commits; a commit that it knows already changes nothing."""
    since = list(since)
    named = sorted({session for about in since for session in about.told})
    of_these = pl.col("session").is_in(named)
    now = {s: (start, told) for s, start, told in frame.filter(of_these).iter_rows()}
    for about in since:
        for session, (start, told) in about.told.items():
            if about.instead or session not in now:
                now[session] = start, told
            else:
                before, have = now[session]
                starts = [s for s in (before, start) if s is not None]
                now[session] = min(starts, default=None), keys_text(keys_of(have) + keys_of(told))
    left = {session: what for session, what in now.items() if what[1] != NOTHING}
    return pl.concat([frame.filter(~of_these), _frame(left)])


def _frame(told: dict[str, tuple[int | None, str]]) -> pl.DataFrame:
    rows = [(session, start, text) for session, (start, text) in told.items()]
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def keys_of_roll(name: str, told: str) -> list[dict[str, Any]]:
    """Return what a roll's ``told`` says of the rows: each combination of `abouts.KEYS`.

    Parameters
    ----------
    name : str
        The table.
    told : str
        Of one session, as the roll has it.
    """
    return [dict(zip(KEYS[name], keys, strict=True)) for keys in keys_of(told)]
