"""Write clean blocks to Parquet in a thread of its own, while others are read.

Level 1 of Zstandard, delta-coded times, and dictionaries only for channels
that repeat themselves: no larger than polars' own defaults and quick enough
for one core to keep up with reading (see tests/benchmarks/ingest_speed.py).
Row groups have a fixed number of rows, so the same log gives the same bytes.
"""

from __future__ import annotations

import contextlib
import os
import queue
import threading
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol

import polars as pl

from replay.units import TIME

ROW_GROUP_ROWS = 131_072
_WAITING = 3
_LEVEL = 1
_DICTIONARY_BYTES = 1 << 24
_SETTLE_BYTES = 1 << 25


class Follower(Protocol):
    """Sees the same rows go by, a row group at a time."""

    def add(self, piece: pl.DataFrame) -> None: ...  # noqa: D102
    def close(self) -> Any: ...  # noqa: D102


class Settler:
    """Gives a growing file to the disk while it grows, so that its end need not wait.

    Only a head start: the archive makes sure of the whole file (fsync) before
    it counts, and says so if the disk refuses it.
    """

    def __init__(self, target: Path) -> None:
        self._target = target
        self._grown = threading.Event()
        self._done = False
        self._given = 0
        self._thread = threading.Thread(target=self._run, name="settle", daemon=True)
        self._thread.start()

    def look(self) -> None:
        """Tell that the file may have grown."""
        if self._target.stat().st_size - self._given > _SETTLE_BYTES:
            self._given = self._target.stat().st_size
            self._grown.set()

    def close(self) -> None:
        """Stop when what is under way is done."""
        self._done = True
        self._grown.set()
        self._thread.join()

    def _run(self) -> None:
        try:
            handle = os.open(self._target, os.O_RDONLY)
        except OSError:  # who stores the file, or has tidied it away, knows why
            return
        try:
            while self._grown.wait() and not self._done:
                self._grown.clear()
                with contextlib.suppress(OSError):
                    os.fsync(handle)
        finally:
            os.close(handle)


class StreamWriter:
    """A Parquet file that takes frames; a context manager.

    Parameters
    ----------
    target : Path
        The file.
    follower : Follower, optional
        Is given each row group too, so that nobody has to decode the file for it.
    """

    def __init__(self, target: Path, follower: Follower | None = None) -> None:
        self._target = target
        self._follower = follower
        self._queue: queue.Queue[pl.DataFrame | None] = queue.Queue(_WAITING)
        self._held: list[pl.DataFrame] = []
        self._rows = 0
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="encode", daemon=True)

    def __enter__(self) -> StreamWriter:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            if kind is None and self._rows:
                self._hand_on(pl.concat(self._held))
            if kind is None and self._follower is not None:
                self._follower.close()
        finally:
            self._held = []
            self._queue.put(None)
            self._thread.join()
        if kind is None and self._error is not None:
            raise self._error

    def write(self, frame: pl.DataFrame) -> None:
        """Add rows; whole row groups are handed on at once."""
        if self._error is not None:
            raise self._error
        self._held.append(frame)
        self._rows += frame.height
        while self._rows >= ROW_GROUP_ROWS:
            whole = pl.concat(self._held)
            self._hand_on(whole.head(ROW_GROUP_ROWS))
            rest = whole.slice(ROW_GROUP_ROWS)
            self._held, self._rows = [rest], rest.height

    def _hand_on(self, frame: pl.DataFrame) -> None:
        self._queue.put(frame)
        if self._follower is not None:
            self._follower.add(frame)

    def _run(self) -> None:
        writer: Any = None
        settler: Settler | None = None
        try:
            while (frame := self._queue.get()) is not None:
                if self._error is None:
                    writer = self._encode(writer, frame)
                    settler = settler or Settler(self._target)
                    settler.look()
        except BaseException as error:  # told to the thread that writes
            self._error = error
            while self._queue.get() is not None:
                pass
        finally:
            if settler is not None:
                settler.close()
            if writer is not None:
                writer.close()

    def _encode(self, writer: Any, frame: pl.DataFrame) -> Any:
        import pyarrow.parquet as pq

        table = frame.to_arrow()
        if writer is None:
            repeated = [
                c for c in frame.columns if c != TIME and frame[c].n_unique() < 0.5 * frame.height
            ]
            writer = pq.ParquetWriter(
                self._target,
                table.schema,
                compression="zstd",
                compression_level=_LEVEL,
                use_dictionary=repeated,
                dictionary_pagesize_limit=_DICTIONARY_BYTES,
                column_encoding={TIME: "DELTA_BINARY_PACKED"},
            )
        writer.write_table(table, row_group_size=ROW_GROUP_ROWS)
        return writer
