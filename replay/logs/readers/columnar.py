"""Parquet and Arrow files: typed tables that can be scanned as they stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import polars as pl

from replay.errors import LogRefused, first_line
from replay.logs.readers.dialect import MAX_COLUMNS
from replay.logs.readers.nested import flat
from replay.logs.readers.raw import RawLog, SetAside
from replay.wording import counted

_HEAD_ROWS = 5000
_STREAM_END = b"\xff\xff\xff\xff\x00\x00\x00\x00"
"""Continuation and a length of nothing (Arrow columnar format, IPC streaming format)."""
MAX_ROWS_PER_BYTE = 1000
"""A Parquet that claims more rows than this for each byte is damaged or a trap."""


def read_parquet(path: Path) -> RawLog:
    """Check a Parquet file's own account of itself and make it ready to scan."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        meta = pq.ParquetFile(path).metadata
    except (pa.ArrowException, OSError, ValueError) as error:
        raise LogRefused(
            f"not a whole Parquet file: {first_line(error)}",
            file=path,
            todo="it may be cut short; copy it again",
        ) from None
    _check_width(meta.num_columns, path)
    groups = [meta.row_group(k).num_rows for k in range(meta.num_row_groups)]
    size = path.stat().st_size
    if (
        meta.num_rows != sum(groups)
        or meta.num_rows > size * MAX_ROWS_PER_BYTE
        or any(g < 0 for g in groups)
    ):
        raise LogRefused(
            f"claims {counted(meta.num_rows, 'row')} in {size} bytes; "
            f"its row groups hold {sum(groups)}",
            file=path,
            todo="the file's footer is damaged or false",
        )
    if meta.num_rows == 0:
        raise LogRefused("the Parquet file has no rows", file=path)
    return from_frame(path, "parquet", pl.scan_parquet(path, glob=False))


def read_arrow(path: Path, kind: str) -> RawLog:
    """Make an Arrow IPC (Feather) file or stream ready to scan."""
    try:
        if kind == "arrow-stream":
            raw = from_frame(path, kind, pl.read_ipc_stream(path).lazy())
            return replace(raw, set_aside=_without_end(path))
        return from_frame(path, kind, pl.scan_ipc(path, glob=False))
    except (pl.exceptions.PolarsError, OSError, ValueError) as error:
        raise LogRefused(
            f"not a whole Arrow file: {first_line(error)}",
            file=path,
            todo="it may be cut short; copy it again",
        ) from None


def from_frame(path: Path, kind: str, frame: pl.LazyFrame) -> RawLog:
    """Wrap a scanned table; columns keep their types."""
    try:
        schema = frame.collect_schema()
        if any(t.is_nested() for t in schema.values()):
            frame = flat(frame)
            schema = frame.collect_schema()
        plain = {n: n.strip() for n in schema.names() if n != n.strip()}
        if plain and len({n.strip() for n in schema.names()}) == len(schema):
            frame = frame.rename(plain)
            schema = frame.collect_schema()
        _check_width(len(schema), path)
        sample = frame.head(_HEAD_ROWS).collect()
    except pl.exceptions.PolarsError as error:
        raise LogRefused(f"cannot be decoded: {first_line(error)}", file=path) from None
    except BaseException as error:  # polars panics on some damaged files
        if not isinstance(error, pl.exceptions.PanicException):
            raise
        raise LogRefused(f"cannot be decoded: {first_line(error)}", file=path) from None
    if sample.height == 0:
        raise LogRefused("the table has no rows", file=path)

    def scan(needed: Sequence[str], as_text: frozenset[str]) -> pl.LazyFrame:
        return frame.select(
            pl.col(c).cast(pl.String) if c in as_text else pl.col(c) for c in needed
        )

    return RawLog(
        path=path,
        kind=kind,
        columns=tuple(schema.names()),
        sample=sample,
        head=sample.height,
        scan=scan,
    )


def _without_end(path: Path) -> tuple[SetAside, ...]:
    """Tell of a stream that stops between two batches: nothing says that it was the last."""
    with path.open("rb") as handle:
        handle.seek(-len(_STREAM_END), 2)
        if handle.read() == _STREAM_END:
            return ()
    return (
        SetAside(
            "no-end-mark",
            "the stream ends without its end mark: batches may be missing after the last one; "
            "all that are there were read",
        ),
    )


def _check_width(columns: int, path: Path) -> None:
    if columns > MAX_COLUMNS:
        raise LogRefused(
            f"{columns} columns; a log here has at most {MAX_COLUMNS}",
            file=path,
            todo="export the joints' channels only",
        )
