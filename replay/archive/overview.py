"""Overviews: the least and the greatest of every block of rows, per channel.

A plot of a day at 100 Hz has more samples than a screen has pixels. An
overview keeps, for blocks of 64 and of 1024 rows, each channel's minimum and
maximum, so a wide plot reads a thousandth of the samples and still shows
every single-sample spike. Overviews can be made again from the samples at any
time.

One Parquet file per stream and block length: ``time`` (first instant of the
block), ``last`` (its last instant), ``<channel>.min`` and ``<channel>.max``
(Float32; null where the block holds no value).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pyarrow.parquet as pq

from replay.errors import ArchiveError
from replay.units import TIME, TIME_DTYPE

BLOCK_ROWS: tuple[int, ...] = (64, 1024)
"""Block lengths, finest first; each divides the next."""

WORTH_ROWS = 131_072
"""Shorter streams are read as they are: two row groups take a few ms."""

_STEP_ROWS = 262_144


def overview_name(stream: str, block_rows: int) -> str:
    """Return the file name of one overview of a stream."""
    return f"{stream}.{block_rows}.parquet"


def overview_channels(schema: pl.Schema) -> list[str]:
    """Return the channels that have a minimum and a maximum."""
    return [name for name, dtype in schema.items() if dtype.is_numeric()]


def write_overviews(samples: Path, folder: Path, stream: str) -> list[Path]:
    """Write the overviews of one stream; memory does not grow with its length.

    Parameters
    ----------
    samples : Path
        The stream's Parquet file.
    folder : Path
        Where the overview files go; made if need be.
    stream : str
        Name of the stream.

    Returns
    -------
    list of Path
        The files written; none for a stream too short to be worth it.

    Raises
    ------
    ArchiveError
        When the stream's time column does not rise strictly.
    """
    pieces = list(_fine_blocks(samples))
    if not pieces or sum(p.height for p in pieces) * BLOCK_ROWS[0] < WORTH_ROWS:
        return []
    folder.mkdir(parents=True, exist_ok=True)
    blocks = pl.concat(pieces)
    written = []
    for finer, rows in zip((BLOCK_ROWS[0], *BLOCK_ROWS), BLOCK_ROWS, strict=False):
        if rows != finer:
            blocks = _coarser(blocks, rows // finer)
        path = folder / overview_name(stream, rows)
        blocks.write_parquet(path, compression="zstd", row_group_size=8192)
        written.append(path)
    return written


def block_frame(frame: pl.DataFrame, rows: int) -> pl.DataFrame:
    """Reduce a piece of a stream to its blocks; the last may be short."""
    channels = overview_channels(frame.schema)
    whole = frame.height // rows * rows
    parts = []
    if whole:
        parts.append(_reduced(frame.head(whole), channels, rows))
    if whole < frame.height:
        parts.append(_reduced(frame.tail(frame.height - whole), channels, frame.height - whole))
    return pl.concat(parts) if parts else _reduced(frame, channels, rows)


def _reduced(frame: pl.DataFrame, channels: list[str], rows: int) -> pl.DataFrame:
    """Blocks of ``rows`` rows; the frame's height is a multiple of it."""
    time = pl.col(TIME)
    columns = [
        time.gather_every(rows).alias(TIME),
        time.gather_every(rows, rows - 1).alias("last"),
    ]
    for name in channels:
        values = pl.col(name).fill_nan(None) if frame.schema[name].is_float() else pl.col(name)
        blocks = values.reshape((-1, rows)).arr
        columns += [
            blocks.min().cast(pl.Float32).alias(f"{name}.min"),
            blocks.max().cast(pl.Float32).alias(f"{name}.max"),
        ]
    return frame.select(columns)


def _coarser(blocks: pl.DataFrame, times: int) -> pl.DataFrame:
    group = pl.int_range(pl.len()) // times
    ends = [pl.col(TIME).first(), pl.col("last").last()]
    least = [pl.col(c).min() for c in blocks.columns if c.endswith(".min")]
    greatest = [pl.col(c).max() for c in blocks.columns if c.endswith(".max")]
    return (
        blocks.group_by(group.alias("_group"), maintain_order=True)
        .agg([*ends, *least, *greatest])
        .select(blocks.columns)
    )


def _fine_blocks(samples: Path) -> Iterator[pl.DataFrame]:
    total = pq.ParquetFile(samples).metadata.num_rows
    before: object = None
    for offset in range(0, total, _STEP_ROWS):
        piece = pl.scan_parquet(samples).slice(offset, _STEP_ROWS).collect()
        time = piece[TIME]
        if time.dtype != TIME_DTYPE:
            raise ArchiveError(f"time is {time.dtype}, not {TIME_DTYPE}", file=samples, column=TIME)
        steps = time.to_physical().diff().drop_nulls()
        if time.null_count() or (steps <= 0).any() or (before is not None and time[0] <= before):
            raise ArchiveError("time does not rise strictly", file=samples, column=TIME)
        before = time[-1]
        yield block_frame(piece, BLOCK_ROWS[0])
