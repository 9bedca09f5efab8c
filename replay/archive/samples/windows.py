"""What a plot needs of a session's channels, and no more.

`window` returns few points per channel that look like all of them: the window
is cut into equal buckets of time and the least and the greatest sample of
every bucket are kept, so no spike is ever lost. `spans` returns the runs of a
channel that holds words or yes and no.

Longer than 245 lines because a window from samples and the same one from overviews must agree
point for point.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from threading import Lock

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.archive.disk.place import Place
from replay.archive.layout import OVERVIEWS
from replay.archive.samples.overview import (
    BLOCK_ROWS,
    block_frame,
    overview_name,
    runs_name,
    runs_of,
)
from replay.archive.samples.short_streams import SHORT, singles
from replay.units import TIME, TIME_DTYPE

Points = tuple[npt.NDArray[np.int64], npt.NDArray[np.float32]]
"""Instants in ns since 1970 (UTC), rising or equal, and values; NaN is a hole."""

_STEP_ROWS = 262_144
_KEPT_EDGES = 32


@dataclass(frozen=True, slots=True)
class StreamFiles:
    """Where one stream's samples and overviews lie."""

    samples: Place
    overviews: dict[int, Place]
    """Keyed by block length; only those that exist."""
    runs: Place | None
    """The runs of channels of words; None when there is no such file."""
    stream: str
    compared: Callable[[str, Iterable[str] | None, int, int], None]
    """Raises when a file (its name in the session's folder) is not what was written
    where columns of a span lie in it."""

    @classmethod
    def find(
        cls,
        samples: Place,
        folder: Place,
        stream: str,
        compared: Callable[[str, Iterable[str] | None, int, int], None],
    ) -> StreamFiles:
        """Look for the overviews that were written beside the samples."""
        paths = {rows: folder.child(overview_name(stream, rows)) for rows in BLOCK_ROWS}
        found = {rows: p for rows, p in paths.items() if p.exists()}
        runs = folder.child(runs_name(stream))
        has_runs = bool(found) and runs.exists()
        return cls(samples, found, runs if has_runs else None, stream, compared)

    def check_samples(self, columns: list[str], start: int, end: int) -> None:
        """Compare the samples of a span with what was written."""
        self.compared(f"{self.stream}.parquet", [TIME, *columns], start, end)

    def check_overview(self, rows: int, columns: list[str]) -> None:
        """Compare columns of an overview with what was written."""
        name = f"{OVERVIEWS}/{overview_name(self.stream, rows)}"
        edges = [f"{c}.{edge}" for c in columns for edge in ("min", "max")]
        self.compared(name, [TIME, "last", *edges], -(2**62), 2**62)

    def check_runs(self) -> None:
        """Compare the runs with what was written."""
        name = f"{OVERVIEWS}/{runs_name(self.stream)}"
        self.compared(name, None, -(2**62), 2**62)


def blocks_of(samples: Place, rows: int) -> pl.DataFrame:
    """Return the blocks of a whole stream, made from its samples."""
    return block_frame(samples.scan().collect(), rows)


def window_points(
    files: StreamFiles, channels: list[str], start: int, end: int, max_points: int
) -> dict[str, Points]:
    """Return each channel's points of ``[start, end)``, in ns since 1970.

    When the window holds no more than ``max_points`` rows they are all
    returned. Otherwise each bucket gives two points, its least and its
    greatest value. Where an overview is fine enough for the buckets the points
    carry the first instant of their block, and the blocks at the edges are
    taken whole, so that the outermost points may lie up to one bucket outside.
    """
    buckets = max(1, max_points // 2)
    points: dict[str, Points] = {}
    level = _level(files, start, end, buckets)
    if level is not None:
        files.check_overview(level, channels)
        held = _held(files.overviews[level], channels)
        blocks = _overlapping(files.overviews[level], held, start, end)
        points = _from_blocks(blocks, held, start, end, buckets) if held else {}
    rest = [name for name in channels if name not in points]
    if rest:
        files.check_samples(rest, start, end)
    short = None
    if rest:
        short = SHORT.window(files.samples, files.check_samples, rest, start, end)
    if short is not None:
        time, values = short
        points |= {name: _thinned(time, values[name], buckets, max_points) for name in rest}
    elif rest and not files.overviews and files.samples.footer().num_rows > 4 * _STEP_ROWS:
        points |= _from_long_samples(files.samples, rest, start, end, buckets)
    elif rest:
        frame = _read(files.samples, rest, start, end)
        time = frame[TIME].to_physical().to_numpy()
        points |= {name: _thinned(time, singles(frame[name]), buckets, max_points) for name in rest}
    return {name: points[name] for name in channels}


def channel_spans(files: StreamFiles, name: str, start: int, end: int) -> pl.DataFrame:
    """Return the runs of one channel, cut to ``[start, end)``: start, end, value.

    A run ends where the next begins; the last one ends with the last sample.
    ``value`` is null where the recorder said nothing.
    """
    files.check_samples([], start, start)
    dtype = files.samples.scan().collect_schema()[name]
    runs, last = None, 0
    if files.runs is not None:
        files.check_runs()
        files.check_overview(max(files.overviews), [])
        runs = files.runs.scan().filter(pl.col("channel") == name).collect()
        last = _last_instant(files)
    if runs is None or not runs.height:
        files.check_samples([name], -(2**62), 2**62)
        frame = files.samples.scan().select(TIME, name).collect()
        runs = runs_of(frame, name)
        last = int(frame.select(pl.col(TIME).max().to_physical()).item() or 0)
    value = pl.col("value") == "true" if dtype == pl.Boolean else pl.col("value")
    if runs.schema["value"] != pl.String:
        value = pl.col("value")
    inside = pl.col("end") > literal(start)
    inside |= (pl.col("start") >= literal(start)) & (pl.col("end") == pl.col("start"))
    return (
        runs.lazy()
        .select("start", pl.col("start").shift(-1).fill_null(literal(last)).alias("end"), value)
        .filter(pl.col("start") < literal(end), inside)
        .with_columns(
            pl.max_horizontal("start", literal(start)), pl.min_horizontal("end", literal(end))
        )
        .collect()
    )


def _last_instant(files: StreamFiles) -> int:
    coarse = files.overviews[max(files.overviews)]
    return int(coarse.scan().select(pl.col("last").last().to_physical()).collect().item())


def literal(value: int) -> pl.Expr:
    """Return ns since 1970 as a literal of the samples' own type, so that it prunes."""
    return pl.lit(value, dtype=pl.Int64).cast(TIME_DTYPE)


def _read(path: Place, channels: list[str], start: int, end: int) -> pl.DataFrame:
    return (
        path.scan()
        .select([TIME, *channels])
        .filter(pl.col(TIME) >= literal(start), pl.col(TIME) < literal(end))
        .collect()
    )


def _level(files: StreamFiles, start: int, end: int, buckets: int) -> int | None:
    """Return the coarsest block length that still gives a block for every bucket."""
    if not files.overviews:
        return None
    coarsest = max(files.overviews)
    files.check_overview(coarsest, [])
    first, last = _block_edges(files.overviews[coarsest])
    count = int(np.searchsorted(first, end)) - int(np.searchsorted(last, start))
    fits = [r for r in files.overviews if (count - 1) * coarsest >= buckets * r]
    return max(fits, default=None)


def _block_edges(path: Place) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Return the first and the last instant of every block, both rising, ns since 1970.

    Every window asks for them and a session's files never change, so those of
    the last few files on a disk are kept, each under its time of writing.
    """
    folder = path.folder
    stamp = None if folder is None else folder.stat()
    key = (path.url, stamp.st_mtime_ns, stamp.st_size) if stamp is not None else None
    if key is not None and (kept := _edges.get(key)) is not None:
        return kept
    frame = path.scan().select(pl.col(TIME, "last").to_physical()).collect()
    found = (frame[TIME].to_numpy(), frame["last"].to_numpy())
    if key is not None:
        with _edges_lock:
            _edges[key] = found
            while len(_edges) > _KEPT_EDGES:
                _edges.pop(next(iter(_edges)))
    return found


_edges: dict[tuple[str, int, int], tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]] = {}
_edges_lock = Lock()


def _held(path: Place, channels: list[str]) -> list[str]:
    """Channels that the overview holds: not those of words, nor of yes and no."""
    there = set(path.scan().collect_schema())
    return [c for c in channels if f"{c}.min" in there]


def _overlapping(path: Place, channels: list[str], start: int, end: int) -> pl.DataFrame:
    wanted = [f"{c}.{edge}" for c in channels for edge in ("min", "max")]
    return (
        path.scan()
        .select([TIME, "last", *wanted])
        .filter(pl.col("last") >= literal(start), pl.col(TIME) < literal(end))
        .collect()
    )


def _from_blocks(
    blocks: pl.DataFrame, channels: list[str], start: int, end: int, buckets: int
) -> dict[str, Points]:
    time = blocks[TIME].to_physical().to_numpy()
    first = _bucket_starts(time, start, end, buckets)
    points = {}
    for name in channels:
        least = blocks[f"{name}.min"].to_numpy()
        greatest = blocks[f"{name}.max"].to_numpy()
        at_least = _position(least, first, np.fmin)
        at_greatest = _position(greatest, first, np.fmax)
        where = np.stack([at_least, at_greatest], axis=1)
        values = np.stack([least[at_least], greatest[at_greatest]], axis=1)
        order = np.argsort(where, axis=1, kind="stable")
        points[name] = (
            time[np.take_along_axis(where, order, axis=1).ravel()],
            np.take_along_axis(values, order, axis=1).ravel(),
        )
    return points


def _bucket_starts(
    time: npt.NDArray[np.int64], start: int, end: int, buckets: int
) -> npt.NDArray[np.intp]:
    """Positions where a new non-empty bucket begins."""
    low, high = max(start, int(time[0])), min(end, int(time[-1]) + 1)
    edges = np.linspace(low, high, buckets + 1)[1:-1].astype(np.int64)
    starts = np.unique(np.concatenate([[0], np.searchsorted(time, edges)]))
    return starts[starts < time.size]


def _position(
    values: npt.NDArray[np.float32], first: npt.NDArray[np.intp], pick: np.ufunc
) -> npt.NDArray[np.intp]:
    """Position of each bucket's extreme; its first row when all are NaN."""
    extreme = np.repeat(pick.reduceat(values, first), np.diff(np.append(first, values.size)))
    hit = np.flatnonzero(values == extreme)
    at = np.searchsorted(hit, first)
    found = np.append(hit, values.size)[at]
    return np.where(found < np.append(first[1:], values.size), found, first)


def _thinned(
    time: npt.NDArray[np.int64],
    values: npt.NDArray[np.float32],
    buckets: int,
    max_points: int,
) -> Points:
    if values.size <= max_points:
        return time, values
    if not np.isnan(values).any():  # the library's own loop is ten times faster
        from tsdownsample import MinMaxDownsampler

        at = MinMaxDownsampler().downsample(  # type: ignore[no-untyped-call]
            time, values, n_out=2 * buckets
        )
        return time[at], values[at]
    first = _bucket_starts(time, int(time[0]), int(time[-1]) + 1, buckets)
    keep = np.unique(
        np.concatenate([_position(values, first, np.fmin), _position(values, first, np.fmax)])
    )
    return time[keep], values[keep]


def _from_long_samples(
    path: Place, channels: list[str], start: int, end: int, buckets: int
) -> dict[str, Points]:
    """Without an overview, make its blocks on the way through the samples."""
    pieces = []
    for offset in range(0, path.footer().num_rows, _STEP_ROWS):
        piece = (
            path.scan()
            .select([TIME, *channels])
            .slice(offset, _STEP_ROWS)
            .collect()
            .filter(pl.col(TIME) >= literal(start), pl.col(TIME) < literal(end))
            .with_columns(pl.col(pl.Boolean).cast(pl.Float32))
        )
        for name in channels:
            singles(piece[name].head(0))
        if piece.height:
            pieces.append(block_frame(piece, BLOCK_ROWS[0]))
    if not pieces:
        empty = (np.empty(0, np.int64), np.empty(0, np.float32))
        return dict.fromkeys(channels, empty)
    return _from_blocks(pl.concat(pieces), channels, start, end, buckets)
