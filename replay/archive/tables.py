"""Small tables as Delta Lake: atomic commits, several writers, other readers.

Every commit is one row set in or out, whole. A table is read once per version
and kept; asking again costs one look at the commit log. Writers of this
machine take turns (a lock), writers elsewhere meet in Delta's own commit and
try again.
"""

from __future__ import annotations

import contextlib
import json
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import polars as pl
from deltalake import DeltaTable, WriterProperties, write_deltalake
from deltalake.exceptions import CommitFailedError, DeltaError, TableNotFoundError

from replay.archive import durable, layout
from replay.archive.place import Place
from replay.archive.schemas import TABLES, completed, fitted
from replay.errors import ArchiveError

TIDY_EVERY = 64
"""Commits after which small files are merged and the log is summed up."""

LOG = "_delta_log"
_ATTEMPTS = 10
_MERGED_BYTES = 32 << 20
_PARQUET = WriterProperties(compression="ZSTD", max_row_group_size=65536)


@dataclass
class _Known:
    """What this process last saw of one table."""

    delta: DeltaTable
    version: int
    log_changed: int
    frames: dict[tuple[str, ...] | None, pl.DataFrame] = field(default_factory=dict)


class Tables:
    """The archive's tables, by name."""

    def __init__(self, root: Place) -> None:
        self._root = root
        self._seen: dict[str, _Known] = {}
        self._reading = threading.RLock()
        self._held: dict[str, _Known] = {}  # writers' own, so that reading never waits for them
        self._writing = threading.RLock()
        self._depth = 0

    # reading ----------------------------------------------------------------
    def names(self) -> list[str]:
        """Return the tables that exist."""
        with self._reading:
            there = self._root.child(layout.TABLES).names()
            return [n for n in there if self._open(n, self._seen)]

    def version(self, name: str) -> int | None:
        """Return the number of the table's last commit; None when there is none."""
        with self._reading:
            known = self._open(name, self._seen)
            return known.version if known else None

    def read(self, name: str, columns: tuple[str, ...] | None = None) -> pl.DataFrame:
        """Return the table, or some of its columns, as of its last commit.

        A table that does not exist is empty, with its declared columns.
        """
        with self._reading:
            for attempt in range(3):
                known = self._open(name, self._seen)
                if known is None:
                    return completed(pl.DataFrame(), name).clear()
                if columns not in known.frames:
                    try:
                        known.frames[columns] = self._load(known, name, columns)
                    except (OSError, pl.exceptions.PolarsError, DeltaError) as error:
                        self._seen.pop(name, None)  # its files may just have been merged
                        if attempt == 2:
                            raise ArchiveError(
                                f"table {name!r} cannot be read: {_first_line(error)}",
                                file=self._place(name),
                                todo="`jointbook archive verify` says what is damaged",
                            ) from error
                        continue
                return known.frames[columns].clone()
        raise AssertionError("unreachable")

    def scan(self, name: str) -> pl.LazyFrame | None:
        """Scan the table without reading it whole; None when there is none."""
        with self._reading:
            known = self._open(name, self._seen)
            return pl.scan_delta(known.delta) if known else None

    # writing ----------------------------------------------------------------
    def replace(self, name: str, rows: pl.DataFrame, key: str, values: list[str]) -> None:
        """Replace all rows whose ``key`` is one of ``values`` by ``rows``, in one commit."""
        quoted = ", ".join("'" + v.replace("'", "''") + "'" for v in values)
        predicate = f"{key} IN ({quoted})"

        def change(delta: DeltaTable | None) -> None:
            there = delta is not None and bool(values) and _any(delta, key, values)
            if not there:
                if rows.height:
                    self._write(name, rows, delta, mode="append")
            elif rows.height:
                self._write(name, rows, delta, mode="overwrite", predicate=predicate)
            elif delta is not None:
                delta.delete(predicate, writer_properties=_PARQUET)

        self._commit(name, change)

    def append(self, name: str, rows: pl.DataFrame) -> None:
        """Add ``rows`` at the end; what is there stays as it is."""
        if rows.height:
            self._commit(name, lambda delta: self._write(name, rows, delta, mode="append"))

    def rewrite(self, name: str, rows: pl.DataFrame) -> None:
        """Put ``rows`` in place of the whole table, in one commit."""
        self._commit(name, lambda delta: self._write(name, rows, delta, mode="overwrite"))

    def forget(self, name: str) -> None:
        """Look at the table afresh next time; its files were changed from outside."""
        with self._reading, self._writing:
            self._seen.pop(name, None)
            self._held.pop(name, None)

    def tidy(self, name: str, *, keep_hours: float | None = None) -> dict[str, int]:
        """Merge small files, sum up the log and, if asked, delete what is no longer read.

        Parameters
        ----------
        keep_hours : float, optional
            Files that older commits needed are deleted when they left the
            table longer ago than this. None deletes nothing.
        """
        with self.writing():
            known = self._open(name, self._held)
            if known is None:
                return {"merged": 0, "deleted": 0}
            before = known.version
            merged = known.delta.optimize.compact(
                target_size=_MERGED_BYTES, writer_properties=_PARQUET
            )
            known.delta.create_checkpoint()
            deleted: list[str] = []
            if keep_hours is not None:
                deleted = known.delta.vacuum(
                    retention_hours=int(keep_hours),
                    dry_run=False,
                    enforce_retention_duration=False,
                )
            self._record(name, before, known.delta.version())
            self._held.pop(name, None)
            return {"merged": int(merged["numFilesRemoved"]), "deleted": len(deleted)}

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
                    yield
                finally:
                    self._depth -= 1

    # inside -----------------------------------------------------------------
    def _place(self, name: str) -> Place:
        return self._root.child(layout.TABLES, name)

    def _open(self, name: str, store: dict[str, _Known]) -> _Known | None:
        """Return what ``store`` knows of a table, brought up to its last commit."""
        known = store.get(name)
        log = self._log_folder(name)
        if known is not None and log is not None and not _moved_on(known, log):
            return known
        changed = log.stat().st_mtime_ns if log is not None and log.exists() else 0
        if known is None:
            if log is not None and not changed:
                return None
            try:
                delta = DeltaTable(self._place(name).url, storage_options=self._root.options)
            except TableNotFoundError:
                return None
            except (DeltaError, OSError) as error:
                raise ArchiveError(
                    f"table {name!r} cannot be opened: {_first_line(error)}",
                    file=self._place(name),
                    todo="`jointbook archive repair` may mend it",
                ) from error
            known = store[name] = _Known(delta, delta.version(), changed)
            return known
        known.delta.update_incremental()
        known.log_changed = changed
        if known.delta.version() != known.version:
            known.version = known.delta.version()
            known.frames.clear()
        return known

    def _log_folder(self, name: str) -> Any:
        folder = self._place(name).folder
        return None if folder is None else folder / "_delta_log"

    def _load(self, known: _Known, name: str, columns: tuple[str, ...] | None) -> pl.DataFrame:
        scan = pl.scan_delta(known.delta)
        if columns is not None:
            there = scan.collect_schema()
            scan = scan.select([c for c in columns if c in there])
        frame = scan.collect()
        if columns is None:
            return completed(frame, name)
        missing = [c for c in columns if c not in frame.columns]
        types = TABLES.get(name, {})
        return frame.with_columns(
            pl.lit(None, dtype=types.get(c, pl.String())).alias(c) for c in missing
        ).select(columns)

    def _write(self, name: str, rows: pl.DataFrame, delta: DeltaTable | None, **how: Any) -> None:
        present = pl.scan_delta(delta).collect_schema() if delta is not None else None
        new = delta is None or any(c not in (present or {}) for c in rows.columns)
        if (folder := self._place(name).folder) is not None:
            folder.mkdir(parents=True, exist_ok=True)
        write_deltalake(
            delta if delta is not None else self._place(name).url,
            fitted(rows, name, present).to_arrow(),
            schema_mode="merge" if new and delta is not None else None,
            storage_options=self._root.options,
            writer_properties=_PARQUET,
            **how,
        )

    def _commit(self, name: str, change: Callable[[DeltaTable | None], None]) -> None:
        with self.writing():
            for attempt in range(_ATTEMPTS):
                known = self._open(name, self._held)
                before = known.version if known else -1
                try:
                    change(known.delta if known else None)
                    break
                except (CommitFailedError, DeltaError) as error:
                    self._held.pop(name, None)
                    if attempt == _ATTEMPTS - 1 or not _is_conflict(error):
                        raise
                    time.sleep(0.02 * 1.6**attempt)
            known = self._open(name, self._held)
            if known is not None and known.version > before:
                self._record(name, before, known.version)
                if known.version // TIDY_EVERY > max(before, 0) // TIDY_EVERY:
                    with contextlib.suppress(CommitFailedError):
                        self.tidy(name)

    def _record(self, name: str, before: int, after: int) -> None:
        """Give new files to the disk and note their digests, for `verify`."""
        folder = self._place(name).folder
        if folder is None:
            return
        lines = []
        for version in range(before + 1, after + 1):
            commit = folder / "_delta_log" / f"{version:020d}.json"
            for action in commit.read_text().splitlines():
                added = json.loads(action).get("add")
                if added and (folder / added["path"]).exists():
                    path = folder / added["path"]
                    durable.sync(path)
                    lines.append({"file": added["path"], "sha256": durable.digest(path)})
            durable.sync(commit)
            noted = f"{LOG}/{commit.name}"
            lines.append({"file": noted, "sha256": durable.digest(commit)})
        durable.sync(folder)
        durable.sync(folder / "_delta_log")
        ledger = self._root.child(layout.DIGESTS, f"{name}.ndjson").folder
        if lines and ledger is not None:
            ledger.parent.mkdir(parents=True, exist_ok=True)
            with ledger.open("a") as handle:
                handle.writelines(json.dumps(line) + "\n" for line in lines)


@contextlib.contextmanager
def translated(where: object) -> Iterator[None]:
    """Say what kept the archive from being written in the tool's own words."""
    try:
        yield
    except ArchiveError:
        raise
    except (OSError, DeltaError, pl.exceptions.PolarsError) as error:
        raise ArchiveError(
            f"nothing was stored: {_first_line(error)}", file=where, todo=_advice(error)
        ) from error


def _advice(error: BaseException) -> str:
    text = str(error).lower()
    if "no space" in text or "quota" in text or "storage full" in text:
        return "make room on that disk and run it again"
    if "read-only" in text or "permission denied" in text:
        return "the archive is read-only here: choose another --archive or ask for write access"
    return "`jointbook archive verify` says whether anything is damaged"


def _first_line(error: BaseException) -> str:
    return (str(error).strip() or type(error).__name__).splitlines()[0]


def _is_conflict(error: BaseException) -> bool:
    """Tell whether another writer was faster, so that trying again makes sense."""
    text = str(error).lower()
    words = ("conflict", "concurrent", "already exists", "version", "transaction", "metadata")
    return isinstance(error, CommitFailedError) or any(w in text for w in words)


def _moved_on(known: _Known, log: Any) -> bool:
    """Tell whether there are commits after the known one; two looks at the disk."""
    following = log / f"{known.version + 1:020d}.json"
    try:
        return bool(following.exists() or log.stat().st_mtime_ns != known.log_changed)
    except OSError:
        return True


def _any(delta: DeltaTable, key: str, values: list[str]) -> bool:
    found = pl.scan_delta(delta).filter(pl.col(key).is_in(values)).head(1).collect()
    return found.height > 0
