"""The columns of short streams stay in memory, as they are thinned for a plot.

Who looks about in a session asks for another window of it every second, and so do others
with him; to open the file and to unpack its columns is most of what such an answer takes.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from threading import Lock
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.archive.disk.place import Place
from replay.errors import DamageError, UsageError
from replay.units import TIME

SHORT_ROWS = 30_000
"""Rows up to which a stream's columns are kept."""
KEPT_BYTES = 64 << 20
"""Of all streams; the one asked for longest ago goes first."""

_KEPT_FILES = 256

Ints = npt.NDArray[np.int64]
Singles = npt.NDArray[np.float32]
Check = Callable[[list[str], int, int], None]
"""Compares channels of a span with what was written."""


@dataclass(slots=True)
class Columns:
    """What is in memory of one version of a stream's file."""

    lock: Lock = field(default_factory=Lock)
    rows: int | None = None
    time: Ints | None = None
    """ns since 1970."""
    values: dict[str, Singles] = field(default_factory=dict)

    def bytes(self) -> int:
        """Return what it takes."""
        time = 0 if self.time is None else self.time.nbytes
        held = list(self.values.values())  # at once: another window may bring more of them
        return time + sum(values.nbytes for values in held)


class ShortStreams:
    """Columns of the short streams that were asked for last."""

    def __init__(self) -> None:
        self._files: OrderedDict[tuple[str, int, int], Columns] = OrderedDict()
        self._lock = Lock()

    def window(
        self, samples: Place, check: Check, channels: Sequence[str], start: int, end: int
    ) -> tuple[Ints, dict[str, Singles]] | None:
        """Return instants and values of ``[start, end)``; None where they must be read.

        That is of a long stream, of one that lies on no disk, and of one that is damaged
        somewhere: the window that is asked for may be sound.
        """
        if samples.folder is None:
            return None
        columns = self._columns(samples)
        with columns.lock:
            if columns.rows is None:
                columns.rows = samples.footer().num_rows
            if columns.rows > SHORT_ROWS:
                return None
            missing = [name for name in channels if name not in columns.values]
            if missing or columns.time is None:
                try:
                    check(missing, -(2**62), 2**62)
                except DamageError:
                    return None
                frame = samples.scan().select(TIME, *missing).collect()
                columns.time = _only_read(frame[TIME].to_physical().to_numpy())
                columns.values |= {name: singles(frame[name]) for name in missing}
                self._drop_oldest(columns)
            time, values = columns.time, {name: columns.values[name] for name in channels}
        first, last = np.searchsorted(time, (start, end)).tolist()
        return time[first:last], {name: held[first:last] for name, held in values.items()}

    def forget(self) -> None:
        """Read all of them again when they are asked for."""
        with self._lock:
            self._files.clear()

    def _columns(self, samples: Place) -> Columns:
        key = (samples.url, *samples.stamp())
        with self._lock:
            found = self._files.setdefault(key, Columns())
            self._files.move_to_end(key)
            while len(self._files) > _KEPT_FILES:
                self._files.popitem(last=False)
        return found

    def _drop_oldest(self, newest: Columns) -> None:
        with self._lock:
            kept = sum(columns.bytes() for columns in self._files.values())
            for key, columns in list(self._files.items()):
                if kept <= KEPT_BYTES:
                    return
                if columns is not newest and columns.values:
                    kept -= columns.bytes()
                    del self._files[key]


def singles(column: pl.Series) -> Singles:
    """Return a channel of numbers as they are drawn; nobody may write into them.

    Raises
    ------
    UsageError
        When it holds words.
    """
    if not (column.dtype.is_numeric() or column.dtype in (pl.Boolean, pl.Null)):
        raise UsageError(
            f"channel {column.name!r} holds words, not numbers", todo="ask for its spans"
        )
    return _only_read(column.cast(pl.Float32).to_numpy().astype(np.float32, copy=False))


def _only_read(array: npt.NDArray[Any]) -> npt.NDArray[Any]:
    array.flags.writeable = False
    return array


SHORT = ShortStreams()
"""Those of this process."""
