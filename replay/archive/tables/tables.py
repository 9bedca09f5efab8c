"""Small tables as Delta Lake: one way to read one, one way to write one.

A table is what its manifest and the commits after it say (`manifest`). Every
file is compared with its digest when it is read, once a version. A writer
makes the next commit beside the table and puts it in place (`commits`), then
the manifest, then for what people wrote a second copy (`copies`). Small files
become parts of some megabytes (`parts`), and a question that names instants,
sessions or an arm opens the parts it falls into (`asking`). Writers of
this machine take turns (a lock), writers elsewhere meet at the commit's own
name and try again.

Longer than 245 lines because reading, committing and trying again are one protocol, and its
steps are proved together.
"""

from __future__ import annotations

import contextlib
import io
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from dataclasses import replace as replaced
from pathlib import Path
from typing import IO, Any

import polars as pl
from deltalake import CommitProperties, DeltaTable, WriterProperties, write_deltalake
from deltalake.exceptions import CommitFailedError, DeltaError

from replay.archive import layout
from replay.archive.disk import durable, swap
from replay.archive.disk.fence import fenced
from replay.archive.disk.place import Place
from replay.archive.marker import read_marker, write_marker
from replay.archive.schemas import TABLES, completed, fitted
from replay.archive.tables import abouts, asking, commits, copies, parts
from replay.archive.tables.bounds import Bounds, Span, bounds_of, bounds_of_file
from replay.archive.tables.manifest import (
    Manifest,
    Mark,
    TornCommit,
    commit_name,
    file_mark,
    following,
    read_manifest,
    write_manifest,
)
from replay.archive.tables.store_tables import held_by_store, opened, vouched
from replay.errors import ArchiveError, DamageError, first_line

TIDY_EVERY = 64
"""Commits after which small files are merged and the log is summed up."""

_ATTEMPTS = 10
_MOST_CHUNKS = 16
_BOUNDED_AT_ONCE = 256 << 20
"""So many bytes of an older program's files are looked through at a merge at the most."""
PARQUET = WriterProperties(compression="ZSTD", max_row_group_size=65536)

_NOT_TIDIED = (CommitFailedError, DeltaError, OSError, ArchiveError, pl.exceptions.PolarsError)

REPAIR = "`jointbook archive verify` says what is damaged, `archive repair` mends it"

Change = Callable[[DeltaTable | str, Manifest], pl.DataFrame | None]
"""Makes a commit on an opened table, or makes the table at a path or URL; returns what is
to be kept a second time."""


Arrange = Callable[[pl.DataFrame], pl.DataFrame]
_Columns = tuple[str, ...] | None
_Chunk = tuple[frozenset[str], pl.DataFrame]
"""Files and their rows."""


@dataclass
class _Known:
    """What this process last saw of one table."""

    stamp: tuple[int, int]
    manifest: Manifest
    frames: dict[_Columns, pl.DataFrame] = field(default_factory=dict)
    chunks: dict[_Columns, list[_Chunk]] = field(default_factory=dict)
    """Rows that were read before; a file never changes, so the next version keeps them."""
    arranged: dict[tuple[_Columns, Arrange], pl.DataFrame] = field(default_factory=dict)
    sound: set[str] = field(default_factory=set)
    """Files that were compared with their digests."""
    parts: asking.PartRows = field(default_factory=asking.PartRows)


class Tables:
    """The archive's tables, by name."""

    def __init__(self, root: Place) -> None:
        self._root = root
        self._seen: dict[str, _Known] = {}
        self._abouts: dict[str, dict[int, abouts.About]] = {}
        self._reading = threading.RLock()
        self._writing = threading.RLock()
        self._depth = 0

    # reading ----------------------------------------------------------------
    def names(self) -> list[str]:
        """Return the tables that exist."""
        there = self._root.child(layout.TABLES).names()
        return [name for name in there if self.version(name) is not None]

    def version(self, name: str) -> int | None:
        """Return the number of the table's last commit; None when there is none."""
        with self._reading:
            known = self._look(name)
            return known.manifest.version if known else None

    def mark(self, name: str) -> str:
        """Return what tells this state of a table from any other; empty when there is none."""
        with self._reading:
            known = self._look(name)
            return _mark(known.manifest) if known else ""

    def size(self, name: str) -> int:
        """Return how many bytes a table's rows take, packed."""
        with self._reading:
            known = self._look(name)
            return sum(m.size for m in known.manifest.files.values()) if known else 0

    def about_since(self, name: str, mark: str) -> tuple[str, list[abouts.About] | None]:
        """Return the mark of today, and what the commits since another mark are about.

        None where that is not known: it is another table's mark, or a commit does not say.
        """
        with self._reading:
            known = self._look(name)
            if known is None:
                return "", None
            now = _mark(known.manifest)
            if mark == now:
                return now, []
            table, _, version = mark.rpartition(":")
            last = known.manifest.version
            if not table or table != now.rpartition(":")[0] or int(version) > last:
                return now, None
            read = self._abouts.setdefault(table, {})
            return now, abouts.abouts_since(self._place(name), int(version), last, read)

    def read(self, name: str, columns: tuple[str, ...] | None = None) -> pl.DataFrame:
        """Return the table, or some of its columns, as of its last commit.

        Rows that people wrote come in the order in which they were committed.
        A table that does not exist is empty, with its declared columns.

        Raises
        ------
        DamageError
            When a byte of it is not what was written, or commits have gone.
        """
        with self._reading:
            for attempt in range(3):
                known = self._look(name)
                if known is None:
                    return completed(pl.DataFrame(), name).clear()
                if columns not in known.frames:
                    try:
                        known.frames[columns] = self._load(known, name, columns)
                    except FileNotFoundError as error:
                        self._seen.pop(name, None)  # its files may just have been merged
                        if attempt == 2:
                            raise self._damaged(name, f"a file has gone: {error}") from error
                        continue
                    except (OSError, pl.exceptions.PolarsError) as error:
                        raise self._damaged(name, first_line(error)) from error
                return known.frames[columns].clone()
        raise AssertionError("unreachable")

    def arranged(self, name: str, columns: tuple[str, ...], arrange: Arrange) -> pl.DataFrame:
        """Return what ``arrange`` makes of `read`, made once a version.

        ``arrange`` is a function of a module; a million rows take a second to be put in order.
        """
        with self._reading:
            frame = self.read(name, columns)
            known = self._seen.get(name)
            if known is None:
                return arrange(frame)
            if (columns, arrange) not in known.arranged:
                known.arranged[columns, arrange] = arrange(frame)
            return known.arranged[columns, arrange].clone()

    def scan(self, name: str) -> pl.LazyFrame | None:
        """Scan the table without reading it whole; None when there is none."""
        with self._reading:
            known = self._look(name)
            if known is None:
                return None
            scans = []
            for file, mark in known.manifest.files.items():
                place = self._place(name).child(file)
                if mark.sha256 and file not in known.sound:
                    self._content(name, known, file)
                scans.append(place.scan())
            if not scans:
                return completed(pl.DataFrame(), name).clear().lazy()
            return pl.concat(scans, how="diagonal_relaxed")

    def pick(self, name: str, key: str, value: str) -> pl.DataFrame:
        """Return the rows of one value, without reading the rest of the table."""
        return self.within(name, None, {key: (value, value)})

    def within(
        self, name: str, columns: tuple[str, ...] | None, spans: Mapping[str, Span]
    ) -> pl.DataFrame:
        """Return the rows that lie within all of some spans, in the order of their commits.

        ``columns`` has those that the spans are about. Only the parts that may have such a
        row are read. Instants are microseconds since 1970, see `bounds.microseconds`.
        """
        return self._asked(
            name, columns, lambda known, rows_of: asking.within(known, spans, rows_of)
        )

    def among(
        self,
        name: str,
        columns: tuple[str, ...] | None,
        wanted: Mapping[str, Sequence[str]],
        near: Mapping[str, Sequence[str]] | None = None,
    ) -> pl.DataFrame:
        """Return the rows with one of some values in each of some columns, see `asking.among`."""
        return self._asked(
            name, columns, lambda known, rows_of: asking.among(known, wanted, near or {}, rows_of)
        )

    def filled(self, name: str, columns: tuple[str, ...], column: str) -> pl.DataFrame:
        """Return the rows that have something in a column of `bounds.SELDOM`."""
        return self._asked(
            name, columns, lambda known, rows_of: asking.filled(known, column, rows_of)
        )

    def at_an_end(
        self,
        name: str,
        columns: tuple[str, ...],
        by: tuple[str, str],
        count: int,
        *,
        last: bool,
        span: Span = (None, None),
    ) -> pl.DataFrame:
        """Return the last or the first rows by a column, see `asking.at_an_end`."""
        return self._asked(
            name,
            columns,
            lambda known, rows_of: asking.at_an_end(
                known, by, count, rows_of, last=last, span=span
            ),
        )

    def bounds(self, name: str, columns: tuple[str, ...]) -> list[Bounds]:
        """Return the bounds of each of a table's files; one of which none are known is read."""
        found: list[Bounds] = []

        def look(known: Mapping[str, Mark], rows_of: asking.RowsOf) -> pl.DataFrame:
            found.clear()
            found.extend(m.bounds or bounds_of(rows_of(file)) for file, m in known.items())
            return pl.DataFrame()

        self._asked(name, columns, look)
        return found

    def _asked(
        self,
        name: str,
        columns: tuple[str, ...] | None,
        ask: Callable[[Mapping[str, Mark], asking.RowsOf], pl.DataFrame],
    ) -> pl.DataFrame:
        """Ask a question of a table's files as of its last commit."""
        with self._reading:
            for attempt in range(3):
                known = self._look(name)
                if known is None:
                    return _shaped(pl.DataFrame(), name, columns)
                try:
                    found = ask(known.manifest.files, self._rows_of(name, known, columns))
                    return _shaped(found, name, columns)
                except FileNotFoundError as error:
                    self._seen.pop(name, None)  # its files may just have been merged
                    if attempt == 2:
                        raise self._damaged(name, f"a file has gone: {error}") from error
                except (OSError, pl.exceptions.PolarsError) as error:
                    raise self._damaged(name, first_line(error)) from error
        raise AssertionError("unreachable")

    def _rows_of(self, name: str, known: _Known, columns: tuple[str, ...] | None) -> asking.RowsOf:
        """Return what reads one file's rows, compared, and keeps some of them."""

        def read(file: str) -> pl.DataFrame:
            rows = _rows_of([self._content(name, known, file)], columns)
            return _shaped(rows, name, columns)

        return lambda file: known.parts.get(file, columns, read)

    # writing ----------------------------------------------------------------
    def replace(
        self,
        name: str,
        rows: pl.DataFrame,
        key: str,
        values: list[str],
        near: Mapping[str, Sequence[str]] | None = None,
    ) -> None:
        """Replace all rows whose ``key`` is one of ``values`` by ``rows``, in one commit.

        ``near`` says what all of these have in other columns, where it is known, or nothing
        there: then fewer parts are looked through for them.
        """
        quoted = ", ".join("'" + v.replace("'", "''") + "'" for v in values)
        predicate = f"{key} IN ({quoted})"

        found: dict[int, tuple[list[str], set[str]]] = {}

        def with_them(held: Manifest) -> tuple[list[str], set[str]]:
            if held.version < 0 or not values:
                return [], set()
            if held.version not in found:
                found[held.version] = self._files_with(name, key, values, near or {}, held.version)
            return found[held.version]

        def touched(held: Manifest) -> list[str]:
            return with_them(held)[0]

        def change(table: DeltaTable | str, held: Manifest) -> pl.DataFrame | None:
            given = copies.numbered(rows, held.entries) if _is_numbered(name, held) else None
            new = rows if given is None else given
            files, gone = with_them(held)
            said = _said(name, rows, values if key == "session" else None, gone)
            if not files:
                if rows.height:
                    self._write(name, new, table, said, mode="append")
            elif rows.height:
                self._write(name, new, table, said, mode="overwrite", predicate=predicate)
            elif not isinstance(table, str):
                table.delete(predicate, writer_properties=PARQUET, commit_properties=said)
            return given

        self._commit(name, change, touched)

    def append(self, name: str, rows: pl.DataFrame) -> None:
        """Add ``rows`` at the end; what is there stays as it is."""

        def change(table: DeltaTable | str, held: Manifest) -> pl.DataFrame | None:
            given = copies.numbered(rows, held.entries) if _is_numbered(name, held) else None
            said = _said(name, rows, None, ())
            self._write(name, rows if given is None else given, table, said, mode="append")
            return given

        if rows.height:
            self._commit(name, change)

    def forget(self, name: str) -> None:
        """Look at the table afresh next time; its files were changed from outside."""
        with self._reading:
            self._seen.pop(name, None)

    def tidy(
        self, name: str, *, keep_hours: float | None = None, drop: bool = False
    ) -> dict[str, int]:
        """Merge small files, sum up the log and, if asked, delete what is no longer read.

        A table in the order of units is put in order whole; else that comes step by step,
        with the commits.

        Parameters
        ----------
        keep_hours : float, optional
            Files that older commits needed are counted as unread when they
            left the table longer ago than this. None counts none.
        drop : bool
            Delete the unread files. The merged ones are on the disk by then.

        Returns
        -------
        dict
            How many files were ``merged``, are ``unread``, were ``deleted``.
        """
        with self.writing():
            if self.version(name) is None:
                return {"merged": 0, "unread": 0, "deleted": 0}
            merged = self._merge(name)
            for _ in self._settled(name).files if parts.is_by_unit(name) else ():
                if not (more := self._merge(name)) and not self._unbounded(name):
                    break
                merged += more
            folder = self._place(name).folder
            unread: list[Path] = []
            if keep_hours is not None and folder is not None:
                held = self._settled(name)
                unread = parts.unread(folder, held.files, keep_hours * 3600)
            if drop:
                for path in unread:
                    path.unlink()
            return {
                "merged": merged,
                "unread": len(unread),
                "deleted": len(unread) if drop else 0,
            }

    def _merge(self, name: str) -> int:
        """Make parts of small files; sum up the log. Return how many files were rewritten."""
        merged = 0
        place, root = self._place(name), self._root.folder
        whole = name in copies.GROWING  # these are read whole, in the order of their entries
        by_library = root is None or place.folder is None or whole

        def change(table: DeltaTable | str, held: Manifest) -> None:
            nonlocal merged
            if isinstance(table, str):
                return
            if by_library:
                size = parts.PART_BYTES * (8 if whole else 1)
                done = table.optimize.compact(target_size=size, writer_properties=PARQUET)
                merged = int(done["numFilesRemoved"])
            elif files := parts.to_rewrite(name, held.files):
                marks = {file: held.files[file] for file in files}
                scratch = commits.folder_of(table)
                parts.write_commit(scratch, self._ordered(name, held, files), marks)
                merged = len(files)

        self._bounded(name)
        self._commit(name, change, lambda held: held.files if by_library else ())
        if root is None or place.folder is None:
            if (delta := opened(place)) is not None:
                delta.create_checkpoint()
            return merged
        held = self._settled(name)
        commits.checkpoint(root, place.folder, held.files)
        self._vouch(name, replaced(held, log=commits.log_marks(place.folder, held.log)), None)
        return merged

    def _ordered(self, name: str, held: Manifest, files: list[str]) -> pl.DataFrame:
        """Return the rows of files in their order, each compared first."""
        known = _Known((0, 0), held)
        frames = [_rows_of([self._content(name, known, file)], None) for file in files]
        return parts.ordered(name, pl.concat(frames, how="diagonal_relaxed"))

    def _unbounded(self, name: str) -> bool:
        files = self._settled(name).files
        return any(parts.lacks_bounds(name, mark.bounds) for mark in files.values())

    def _bounded(self, name: str) -> None:
        """Note the bounds of files that an older program wrote, so many bytes at a time."""
        held = self._settled(name)
        known, room = _Known((0, 0), held), _BOUNDED_AT_ONCE
        files = dict(held.files)
        for file, mark in held.files.items():
            if parts.lacks_bounds(name, mark.bounds) and room > 0:
                content = self._content(name, known, file)
                files[file] = replaced(mark, bounds=bounds_of_file(content))
                room -= mark.size
        if files != held.files:
            self._vouch(name, replaced(held, files=files), None)

    @contextlib.contextmanager
    def writing(self) -> Iterator[None]:
        """Take this machine's turn to write to the archive."""
        with self._writing, translated(self._root):
            folder = self._root.folder
            if folder is None or self._depth:  # this thread has the turn already
                yield
                return
            staging = folder / layout.STAGING
            staging.mkdir(parents=True, exist_ok=True)
            with durable.locked(staging / layout.LOCK):
                self._depth += 1
                try:
                    swap.end_begun(folder)
                    yield
                finally:
                    self._depth -= 1

    # inside -----------------------------------------------------------------
    def _place(self, name: str) -> Place:
        return self._root.child(layout.TABLES, name)

    def _look(self, name: str) -> _Known | None:
        """Return what is known of a table, brought up to its last commit."""
        place = self._place(name)
        known = self._seen.get(name)
        stamp = place.child(layout.MANIFEST).stamp()
        if known is not None and known.stamp == stamp:
            after = commit_name(known.manifest.version + 1)
            if not place.child(layout.LOG, after).exists():
                return known
        held = self._held(name)
        if held is None:
            self._seen.pop(name, None)
            return None
        if known is None or known.manifest != held:
            old = known if known is not None else _Known(stamp, held)
            known = self._seen[name] = _Known(
                stamp,
                held,
                chunks={
                    columns: [c for c in chunks if c[0] <= held.files.keys()]
                    for columns, chunks in old.chunks.items()
                },
                sound=old.sound & set(held.files),
                parts=old.parts.only(held.files),
            )
        known.stamp = stamp
        return known

    def _held(self, name: str) -> Manifest | None:
        """Return what a table holds; None when it does not exist."""
        place = self._place(name)
        listed = self._listed()  # before the manifest, which its writer writes first
        manifest = read_manifest(place)
        for pause_s in (0.02, 0.1) if name in listed and manifest is None else ():
            time.sleep(pause_s)  # a store may be in the middle of writing it
            manifest = manifest or read_manifest(place)
        try:
            if manifest is not None:
                last = place.child(layout.LOG, commit_name(manifest.version))
                if not last.exists():
                    raise self._damaged(name, "its last commits have gone")
                return following(place, manifest)
            if name in listed:
                raise self._damaged(name, "its manifest is missing or damaged")
            return self._by_log(name)
        except (TornCommit, DeltaError, OSError) as error:
            raise self._damaged(name, first_line(error)) from error

    def _by_log(self, name: str) -> Manifest | None:
        """Return what a table holds that no manifest vouches for."""
        place = self._place(name)
        if place.folder is None or self._root.folder is None:
            return held_by_store(place)
        log = place.folder / layout.LOG
        if not any(log.glob("*.json")):
            return None
        if (log / commit_name(0)).exists():
            return following(place, Manifest(-1))
        return commits.held_by_log(self._root.folder, place.folder)

    def _listed(self) -> tuple[str, ...]:
        marker = read_marker(self._root)
        return marker.tables if marker is not None else ()

    def _damaged(self, name: str, what: str) -> DamageError:
        return DamageError(
            f"table {name!r} cannot be read: {what}", file=self._place(name), todo=REPAIR
        )

    def _content(self, name: str, known: _Known, file: str) -> bytes:
        """Return a file's bytes after comparing them with its digest."""
        place = self._place(name).child(file)
        content = place.read()
        if not known.manifest.files[file].vouches_for(content):
            raise self._damaged(name, f"{file}: its bytes changed since it was written")
        known.sound.add(file)
        return content

    def _load(self, known: _Known, name: str, columns: tuple[str, ...] | None) -> pl.DataFrame:
        chunks = known.chunks.setdefault(columns, [])
        there = frozenset().union(*(files for files, _ in chunks))
        fresh = [file for file in known.manifest.files if file not in there]
        if fresh:
            contents = [self._content(name, known, file) for file in fresh]
            chunks.append((frozenset(fresh), _rows_of(contents, columns)))
        frames = [rows for _, rows in chunks]
        whole = pl.concat(frames, how="diagonal_relaxed") if frames else pl.DataFrame()
        if len(chunks) > _MOST_CHUNKS:
            known.chunks[columns] = [(frozenset(known.manifest.files), whole)]
        if name in copies.GROWING:
            whole = copies.in_order(whole)
        return _shaped(whole, name, columns)

    def _files_with(
        self,
        name: str,
        key: str,
        values: list[str],
        near: Mapping[str, Sequence[str]],
        version: int,
    ) -> tuple[list[str], set[str]]:
        """Return the files of this version that hold rows of these values, and their units.

        Raises
        ------
        CommitFailedError
            Another writer has committed since: its files are not this version's.
        """
        with self._reading:
            known = self._look(name)
            if known is None or known.manifest.version != version:
                raise CommitFailedError(f"conflict: version {version} was followed meanwhile")
            wanted, found = sorted(values), []
            beside = {column: sorted(set(some)) for column, some in near.items()}
            units: set[str] = set()
            columns = (key, "serial") if name in abouts.KEYS else (key,)
            rows_of = self._rows_of(name, known, columns)
            for file, mark in known.manifest.files.items():
                if mark.bounds is not None and not (
                    mark.bounds.may_hold_any(key, wanted)
                    and all(mark.bounds.may_hold_one(c, v) for c, v in beside.items())
                ):
                    continue
                try:
                    theirs = rows_of(file).filter(pl.col(key).is_in(wanted))
                except FileNotFoundError as error:
                    raise CommitFailedError(f"conflict: {file} was merged meanwhile") from error
                if theirs.height:
                    found.append(file)
                    units.update(theirs["serial"].drop_nulls() if "serial" in columns else ())
            return found, units

    def _write(
        self,
        name: str,
        rows: pl.DataFrame,
        table: DeltaTable | str,
        said: CommitProperties | None,
        **how: Any,
    ) -> None:
        present = None
        if not isinstance(table, str):
            present = pl.scan_delta(table).collect_schema()
        new = present is None or any(c not in present for c in rows.columns)
        write_deltalake(
            table,
            fitted(rows, name, present).to_arrow(),
            schema_mode="merge" if new and present is not None else None,
            storage_options=self._root.options,
            writer_properties=PARQUET,
            commit_properties=said,
            **how,
        )

    def _commit(
        self,
        name: str,
        change: Change,
        touched: Callable[[Manifest], Iterable[str]] = lambda held: (),
    ) -> None:
        """Make one commit, try again if another writer was faster, and vouch for it.

        ``touched`` names the files whose rows the change takes out or moves.
        """
        with self.writing():
            for attempt in range(_ATTEMPTS):
                before = self._settled(name)
                try:
                    now, given = self._attempt(name, before, change, touched)
                    break
                except (CommitFailedError, DeltaError, FileExistsError) as error:
                    if attempt == _ATTEMPTS - 1 or not _is_conflict(error):
                        raise
                    time.sleep(0.02 * 1.6**attempt)
            if now.version == before.version and now.log == before.log:
                return
            try:
                self._vouch(name, now, given)
            except OSError as error:
                raise ArchiveError(
                    f"it is stored, but its second copy is not yet: {first_line(error)}",
                    file=self._place(name),
                    todo="make room: the next write completes it",
                ) from error
            if now.version // TIDY_EVERY > max(before.version, 0) // TIDY_EVERY:
                with contextlib.suppress(*_NOT_TIDIED):  # what was asked for is stored
                    self._merge(name)

    def _attempt(
        self,
        name: str,
        before: Manifest,
        change: Change,
        touched: Callable[[Manifest], Iterable[str]],
    ) -> tuple[Manifest, pl.DataFrame | None]:
        """Make one commit; return what the table holds now and the rows to be copied."""
        place = self._place(name)
        root = self._root.folder
        if root is None or place.folder is None:
            delta = opened(place)
            with fenced():
                given = change(delta if delta is not None else place.url, before)
            held = following(place, before)
            if held.version == before.version:
                return before, None
            now = vouched(place, held, before)
        else:
            files = list(touched(before))
            with commits.beside(root, place.folder, before, files) as scratch:
                with fenced():
                    given = change(
                        scratch.delta if scratch.delta is not None else str(scratch.folder), before
                    )
                now = commits.publish(scratch, place.folder, before)
        entries = before.entries + (given.height if given is not None else 0)
        return replaced(now, entries=entries), given

    def _vouch(self, name: str, now: Manifest, given: pl.DataFrame | None) -> None:
        """Keep what people wrote a second time, then say what the table holds."""
        if given is not None:
            copies.keep_copy(self._root, name, given)
        write_manifest(self._place(name), now)
        self._list(name)

    def _list(self, name: str) -> None:
        marker = read_marker(self._root)
        sealed = marker is not None and marker.version >= layout.SEALED_FROM
        if marker is not None and sealed and name not in marker.tables:
            write_marker(self._root, marker.version, (*marker.tables, name))

    def _settled(self, name: str) -> Manifest:
        """Return what the next commit follows, after vouching for a commit cut short.

        A writer that was killed after its commit left rows that count but that
        no manifest names. They are read through first.
        """
        place = self._place(name)
        held = self._held(name)
        if held is None:
            return Manifest(-1)
        known = read_manifest(place)
        if known is not None and known.version == held.version:
            self._list(name)
            return held
        fresh = [file for file, mark in held.files.items() if mark.sha256 is None]
        frames = []
        files = dict(held.files)
        for file in fresh:
            content = place.child(file).read()
            if len(content) != held.files[file].size:
                raise self._damaged(name, f"{file}: {len(content)} bytes")
            with fenced():
                frames.append(pl.read_parquet(io.BytesIO(content)))
            files[file] = file_mark(content)
        log = held.log
        if place.folder is not None:
            for file in (
                *files,
                *(
                    f"{layout.LOG}/{commit_name(n)}"
                    for n in range((known.version if known else -1) + 1, held.version + 1)
                ),
            ):
                durable.sync(place.folder / file)
            durable.sync(place.folder / layout.LOG)
            durable.sync(place.folder)
            log = commits.log_marks(place.folder, held.log)
        given = None
        entries = held.entries
        if name in copies.GROWING and frames:
            rows = pl.concat(frames, how="diagonal_relaxed")
            if copies.ENTRY in rows.columns:
                given = rows.filter(pl.col(copies.ENTRY) >= entries)
                entries = max([entries, *(n + 1 for n in rows[copies.ENTRY].drop_nulls())])
        settled = Manifest(held.version, files, log, entries, held.head)
        self._vouch(name, settled, given)
        return settled


def _is_numbered(name: str, held: Manifest) -> bool:
    """Tell whether a table's rows carry their place in the order of commits.

    Those of tables that an older version of the program made do so from the
    migration on.
    """
    if name not in copies.GROWING:
        return False
    schema = held.head.get("metaData", {}).get("schemaString", "")
    return held.version < 0 or f'"{copies.ENTRY}"' in schema


def _mark(held: Manifest) -> str:
    """Return what tells this state of a table from any other."""
    return f"{held.head.get('metaData', {}).get('id', '')}:{held.version}"


def _said(
    name: str, rows: pl.DataFrame, instead_of: Sequence[str] | None, gone: Iterable[str] | None
) -> CommitProperties | None:
    """Return what a commit says of itself, see `abouts`; None for tables that say nothing."""
    said = abouts.metadata(name, rows, instead_of, gone)
    return None if said is None else CommitProperties(custom_metadata=said)


def _shaped(rows: pl.DataFrame, name: str, columns: _Columns) -> pl.DataFrame:
    """Return rows with the columns that were asked for, or all that are declared."""
    if columns is None:
        return completed(rows, name)
    missing = [c for c in columns if c not in rows.columns]
    types = TABLES.get(name, {})
    return rows.with_columns(
        pl.lit(None, dtype=types.get(c, pl.String())).alias(c) for c in missing
    ).select(columns)


def _rows_of(contents: list[bytes], columns: _Columns, only: pl.Expr | None = None) -> pl.DataFrame:
    """Return the rows of Parquet files, of some columns where a file has them."""
    wanted = None if columns is None else {*columns, copies.ENTRY}

    def read(some: list[bytes]) -> pl.DataFrame:
        with fenced():
            sources: list[IO[bytes]] = [io.BytesIO(c) for c in some]
            scan = pl.scan_parquet(sources, glob=False)
            if only is not None:
                scan = scan.filter(only)
            if wanted is not None:
                scan = scan.select([c for c in scan.collect_schema() if c in wanted])
            return scan.collect()

    try:
        return read(contents)
    except pl.exceptions.PolarsError:  # a column came or changed its type on the way
        return pl.concat([read([c]) for c in contents], how="diagonal_relaxed")


@contextlib.contextmanager
def translated(where: object) -> Iterator[None]:
    """Say what kept the archive from being written in the tool's own words."""
    try:
        yield
    except ArchiveError:
        raise
    except (OSError, DeltaError, TornCommit, pl.exceptions.PolarsError) as error:
        raise ArchiveError(
            f"nothing was stored: {first_line(error)}", file=where, todo=_advice(error)
        ) from error


def _advice(error: BaseException) -> str:
    text = str(error).lower()
    if "no space" in text or "quota" in text or "storage full" in text:
        return "make room on that disk and run it again"
    if "read-only" in text or "permission denied" in text:
        return "the archive is read-only here: choose another --archive or ask for write access"
    return "`jointbook archive verify` says whether anything is damaged"


def _is_conflict(error: BaseException) -> bool:
    """Tell whether another writer was faster, so that trying again makes sense."""
    text = str(error).lower()
    words = ("conflict", "concurrent", "already exists", "version", "transaction", "metadata")
    return isinstance(error, CommitFailedError | FileExistsError) or any(w in text for w in words)
