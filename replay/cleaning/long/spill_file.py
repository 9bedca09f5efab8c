"""Rows put down by name in one file on disk, to be taken up again name by name.

A long table holds the rows of all channels mixed. They are sorted out here in
one pass: each piece is a record batch of an Arrow file, and the numbers of a
name's batches are kept. Reading takes up one batch at a time; the file is not
mapped into memory, since mapped pages count as memory used.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from pathlib import Path
from typing import Any

import polars as pl


class SpillFile:
    """Frames of one schema on disk, each under a name; first write, then read.

    Parameters
    ----------
    path : Path
        The file, in a folder that somebody else clears away.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._places: dict[Hashable, list[int]] = {}
        self._pieces = 0
        self._sink: Any = None
        self._writer: Any = None
        self._reader: Any = None

    @property
    def names(self) -> list[Hashable]:
        """Names in the order in which they first came."""
        return list(self._places)

    def put(self, name: Hashable, frame: pl.DataFrame) -> None:
        """Put rows down; those of one name keep their order."""
        import pyarrow as pa

        if not frame.height:
            return
        table = frame.to_arrow(compat_level=pl.CompatLevel.oldest())
        if self._writer is None:
            self._sink = pa.OSFile(str(self._path), "wb")
            options = pa.ipc.IpcWriteOptions(compression="lz4")
            self._writer = pa.ipc.new_file(self._sink, table.schema, options=options)
        for batch in table.combine_chunks().to_batches():
            self._writer.write_batch(batch)
            self._places.setdefault(name, []).append(self._pieces)
            self._pieces += 1

    def take(self, name: Hashable) -> Iterator[pl.DataFrame]:
        """Yield the frames of a name as they were put down; nothing can be put after."""
        import pyarrow as pa

        if name not in self._places:
            return
        self._finish()
        if self._reader is None:
            self._reader = pa.ipc.open_file(pa.OSFile(str(self._path), "rb"))
        for place in self._places[name]:
            found = pl.from_arrow(self._reader.get_batch(place))
            assert isinstance(found, pl.DataFrame)
            yield found

    def clear(self) -> None:
        """Take the file away; for use once nobody reads from it any more."""
        self._finish()
        self._reader = None
        self._places = {}
        self._path.unlink(missing_ok=True)

    def _finish(self) -> None:
        if self._writer is not None:
            self._writer.close()
            self._sink.close()
            self._writer = self._sink = None
