"""Questions that open only the files of a table into which they fall.

By the bounds in the manifest. A file of which none are known is always opened,
and each is compared with its digest before a row of it is believed: that is
what ``rows_of`` does, which the table hands in.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime

import polars as pl

from replay.archive.tables.bounds import Bounds, Span, Value, microseconds
from replay.archive.tables.manifest import Mark

KEPT_BYTES = 128 << 20
"""Rows of parts that a process keeps, as they lie in memory."""

Columns = tuple[str, ...] | None
RowsOf = Callable[[str], pl.DataFrame]
"""Returns the rows of a file, after comparing it."""


class PartRows:
    """The rows of parts that were read last."""

    def __init__(self, most: int = KEPT_BYTES) -> None:
        self._most = most
        self._kept: OrderedDict[tuple[str, Columns], pl.DataFrame] = OrderedDict()
        self._bytes = 0

    def get(self, file: str, columns: Columns, read: RowsOf) -> pl.DataFrame:
        """Return a part's rows; what was asked for longest ago goes when there are too many."""
        key = (file, columns)
        if key in self._kept:
            self._kept.move_to_end(key)
            return self._kept[key]
        for other, had in self._kept.items():
            if columns and other[0] == file and set(columns) <= set(had.columns):
                return had.select(columns)
        rows = self._kept[key] = read(file)
        self._bytes += int(rows.estimated_size())
        while self._bytes > self._most and len(self._kept) > 1:
            self._drop(next(iter(self._kept)))
        return rows

    def only(self, files: Iterable[str]) -> PartRows:
        """Forget files that no longer count."""
        there = set(files)
        for key in [k for k in self._kept if k[0] not in there]:
            self._drop(key)
        return self

    def _drop(self, key: tuple[str, Columns]) -> None:
        self._bytes -= int(self._kept.pop(key).estimated_size())


def files_within(files: Mapping[str, Mark], spans: Mapping[str, Span]) -> list[str]:
    """Return the files that may have a row within all of some spans, oldest first."""
    return [
        file
        for file, mark in files.items()
        if mark.bounds is None or all(mark.bounds.may_hold(c, s) for c, s in spans.items())
    ]


def within(files: Mapping[str, Mark], spans: Mapping[str, Span], rows_of: RowsOf) -> pl.DataFrame:
    """Return the rows that lie within all of some spans, in the order of their files."""
    frames = [rows_of(file) for file in files_within(files, spans)]
    return _joined([frame.filter(_inside(frame, spans)) for frame in frames])


def among(
    files: Mapping[str, Mark],
    wanted: Mapping[str, Sequence[str]],
    near: Mapping[str, Sequence[str]],
    rows_of: RowsOf,
) -> pl.DataFrame:
    """Return the rows that have one of some values in each of some columns.

    ``near`` says what they are known to have in other columns, or nothing there: files
    without such a row are not opened.
    """
    sets = {column: sorted(set(values)) for column, values in wanted.items()}
    beside = {column: sorted(set(values)) for column, values in near.items()}
    frames = [
        rows_of(file)
        for file, mark in files.items()
        if mark.bounds is None
        or (
            all(mark.bounds.may_hold_any(c, v) for c, v in sets.items())
            and all(mark.bounds.may_hold_one(c, v) for c, v in beside.items())
        )
    ]
    tests = [pl.col(c).is_in(v) for c, v in sets.items()]
    return _joined([frame.filter(pl.all_horizontal(tests)) for frame in frames])


def filled(files: Mapping[str, Mark], column: str, rows_of: RowsOf) -> pl.DataFrame:
    """Return the rows that have something in a column that few rows fill."""

    def may(bounds: Bounds | None) -> bool:
        return bounds is None or bounds.filled.get(column, bounds.rows) > 0

    frames = [rows_of(file) for file, mark in files.items() if may(mark.bounds)]
    return _joined([f.filter(pl.col(column).is_not_null()) for f in frames])


def at_an_end(
    files: Mapping[str, Mark],
    by: tuple[str, str],
    count: int,
    rows_of: RowsOf,
    *,
    last: bool,
    span: Span = (None, None),
) -> pl.DataFrame:
    """Return the ``count`` last or first rows by two columns, of those within a span of the first.

    The last come first when ``last``. Files are opened from that end on, until no
    other can have a row that belongs there.
    """
    column = by[0]
    known: list[tuple[Value, str]] = []
    frames = []

    def taken(file: str) -> None:
        frame = rows_of(file)
        frames.append(frame.filter(_inside(frame, {column: span})))

    for file in files_within(files, {column: span}):
        bounds = files[file].bounds
        own = bounds.spans.get(column) if bounds is not None else None
        if own is None:
            taken(file)
        else:
            known.append((own[1] if last else own[0], file))
    for edge, file in sorted(known, reverse=last):
        if sum(f.height for f in frames) >= count:
            at = _number(_arranged(frames, by, last)[column][count - 1])
            if (edge < at) if last else (edge > at):  # type: ignore[operator]
                break
        taken(file)
    return _arranged(frames, by, last).head(count)


def _arranged(frames: list[pl.DataFrame], by: tuple[str, str], last: bool) -> pl.DataFrame:
    joined = _joined(frames)
    if not joined.height:
        return joined
    return joined.unique(by[1], keep="first", maintain_order=True).sort(by, descending=last)


def _joined(frames: list[pl.DataFrame]) -> pl.DataFrame:
    return pl.concat(frames, how="diagonal_relaxed") if frames else pl.DataFrame()


def _inside(frame: pl.DataFrame, spans: Mapping[str, Span]) -> pl.Expr:
    """Return the test of a row that it lies within all of some spans."""
    tests = [pl.lit(True)]
    for name, (low, high) in spans.items():
        column = pl.col(name)
        if isinstance(frame.schema[name], pl.Datetime):
            column = column.dt.epoch("us")
        if low is not None:
            tests.append(column >= low)
        if high is not None:
            tests.append(column <= high)
    return pl.all_horizontal(tests)


def _number(value: object) -> Value:
    return microseconds(value) if isinstance(value, datetime) else value  # type: ignore[return-value]
