"""Overviews: the least and the greatest of every block of rows, per channel.

A plot of a day at 100 Hz has more samples than a screen has pixels. An
overview keeps, for blocks of 64 and of 1024 rows, each channel's minimum and
maximum, so a wide plot reads a thousandth of the samples and still shows
every single-sample spike. Overviews can be made again from the samples at any
time.

One Parquet file per stream and block length: ``time`` (first instant of the
block), ``last`` (its last instant), ``<channel>.min`` and ``<channel>.max``
(Float32; null where the block holds no value). One more file holds the runs of
the channels of words and of yes and no: ``channel``, ``start``, ``value`` (as
a word; null where unknown). A run ends where the next begins.

Longer than 245 lines because the writer, its levels and its readers agree on one format of
files.
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

RUNS_SCHEMA = {"channel": pl.String(), "start": TIME_DTYPE, "value": pl.String()}

PIECE_ROWS = WORTH_ROWS
"""Rows held at a time; whole blocks of every length."""

_ROW_GROUP_BLOCKS = 8192

_RUNS_PER_ROW = 1 / 16
_MOST_RUNS = 500_000
"""A channel that changes more often is not worth keeping as runs; it is left out."""


def overview_name(stream: str, block_rows: int) -> str:
    """Return the file name of one overview of a stream."""
    return f"{stream}.{block_rows}.parquet"


def runs_name(stream: str) -> str:
    """Return the file name of a stream's runs."""
    return f"{stream}.runs.parquet"


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
    total = pq.read_metadata(samples).num_rows
    made = OverviewWriter(folder, stream, samples)
    for piece in _pieces(samples, total):
        made.add(piece)
    return made.close()


class OverviewWriter:
    """Makes the overviews of one stream from its pieces as they go by.

    Parameters
    ----------
    folder : Path
        Where the overview files go; made if need be.
    stream : str
        Name of the stream.
    samples : Path
        The stream's Parquet file, for messages.
    """

    def __init__(self, folder: Path, stream: str, samples: Path) -> None:
        self._folder = folder
        self._stream = stream
        self._samples = samples
        self._rows = 0
        self._before: int | None = None
        self._runs = _Runs()
        self._levels: list[_Level] = []

    def add(self, piece: pl.DataFrame) -> None:
        """Add the next rows; all pieces but the last are of `PIECE_ROWS` rows.

        Raises
        ------
        ArchiveError
            When the time column does not rise strictly.
        """
        self._check_time(piece[TIME])
        begun = self._rows > 0
        self._rows += piece.height
        if not begun and piece.height < WORTH_ROWS:
            return  # the last piece is the first: a short stream
        if not begun:
            self._folder.mkdir(parents=True, exist_ok=True)
            self._levels = [
                _Level(self._folder / overview_name(self._stream, rows)) for rows in BLOCK_ROWS
            ]
        self._runs.add(piece)
        blocks, finer = block_frame(piece, BLOCK_ROWS[0]), BLOCK_ROWS[0]
        for level, rows in zip(self._levels, BLOCK_ROWS, strict=True):
            if rows != finer:
                blocks, finer = _coarser(blocks, rows // finer), rows
            level.add(blocks)

    def close(self) -> list[Path]:
        """Finish the files and return them; none for a short stream."""
        if not self._levels:
            return []
        for level in self._levels:
            level.close()
        path = self._folder / runs_name(self._stream)
        runs = self._runs.table(self._rows)
        runs.write_parquet(path, compression="zstd", row_group_size=65_536)
        return [*(self._folder / overview_name(self._stream, n) for n in BLOCK_ROWS), path]

    def _check_time(self, time: pl.Series) -> None:
        if time.dtype != TIME_DTYPE:
            raise ArchiveError(
                f"time is {time.dtype}, not {TIME_DTYPE}", file=self._samples, column=TIME
            )
        at = time.to_physical().to_numpy()
        before = self._before
        falls = bool((at[1:] <= at[:-1]).any()) or (before is not None and at[0] <= before)
        if time.null_count() or falls:
            raise ArchiveError("time does not rise strictly", file=self._samples, column=TIME)
        self._before = int(at[-1])


def runs_of(frame: pl.DataFrame, name: str) -> pl.DataFrame:
    """Return where a channel changes: ``start`` and ``value``, the first row included."""
    value = frame[name]
    changes = value.ne_missing(value.shift(1))
    if frame.height:
        changes[0] = True
    return pl.DataFrame({"start": frame[TIME].filter(changes), "value": value.filter(changes)})


class _Level:
    """One overview file, written a row group at a time."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._waiting: list[pl.DataFrame] = []
        self._writer: pq.ParquetWriter | None = None

    def add(self, blocks: pl.DataFrame) -> None:
        """Add the next blocks."""
        self._waiting.append(blocks)
        if sum(b.height for b in self._waiting) >= _ROW_GROUP_BLOCKS:
            self._write()

    def close(self) -> None:
        """Write the rest and finish the file."""
        if self._waiting:
            self._write()
        if self._writer is not None:
            self._writer.close()

    def _write(self) -> None:
        table = pl.concat(self._waiting).to_arrow()
        self._waiting = []
        if self._writer is None:
            self._writer = pq.ParquetWriter(self._path, table.schema, compression="zstd")
        self._writer.write_table(table)


class _Runs:
    """The runs of all channels of words, gathered piece by piece."""

    def __init__(self) -> None:
        self._dropped: set[str] = set()
        self._found: dict[str, list[pl.DataFrame]] = {}
        self._before: dict[str, object] = {}

    def add(self, piece: pl.DataFrame) -> None:
        """Add the next piece of the stream."""
        for name, dtype in piece.schema.items():
            if dtype not in (pl.Boolean, pl.String) or name in self._dropped:
                continue
            frame = runs_of(piece, name)
            if name in self._before and frame["value"][0] == self._before[name]:
                frame = frame.tail(-1)
            self._before[name] = piece[name][-1]
            parts = self._found.setdefault(name, [])
            parts.append(frame.cast({"value": pl.String}))
            if sum(p.height for p in parts) > _MOST_RUNS:
                self._dropped.add(name)
                del self._found[name]

    def table(self, rows: int) -> pl.DataFrame:
        """Return the runs found in so many rows."""
        most = int(rows * _RUNS_PER_ROW)
        frames = [
            pl.concat(parts).select(pl.lit(name).alias("channel"), "start", "value")
            for name, parts in sorted(self._found.items())
            if sum(p.height for p in parts) <= most
        ]
        return pl.concat(frames) if frames else pl.DataFrame(schema=RUNS_SCHEMA)


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
    """Join every ``times`` blocks into one; the last may be of fewer."""
    whole = blocks.height // times * times
    parts = [(blocks.head(whole), times), (blocks.tail(blocks.height - whole), None)]
    return pl.concat(_joined(p, times or p.height) for p, times in parts if p.height)


def _joined(blocks: pl.DataFrame, times: int) -> pl.DataFrame:
    columns = [
        pl.col(TIME).gather_every(times),
        pl.col("last").gather_every(times, times - 1),
    ]
    for name in blocks.columns[2:]:
        joined = pl.col(name).reshape((-1, times)).arr
        columns.append((joined.min() if name.endswith(".min") else joined.max()).alias(name))
    return blocks.select(columns)


def _pieces(samples: Path, total: int) -> Iterator[pl.DataFrame]:
    """Yield the stream piece by piece; short streams by their time alone."""
    scan = pl.scan_parquet(samples, glob=False)
    if total < WORTH_ROWS:
        scan = scan.select(TIME)
    for offset in range(0, total, PIECE_ROWS):
        yield scan.slice(offset, PIECE_ROWS).collect()
