"""Between which values the rows of a file lie: a question opens only the files it falls into.

The manifest keeps them beside the file's digest, under the same seal. A file of
which none are known (an older program wrote it, or its writer was killed before
the manifest) may hold anything, and is read.
"""

from __future__ import annotations

import io
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow.parquet as pq

from replay.archive.disk.fence import fenced

Value = str | int
"""A text, or an instant in microseconds since 1970."""
Span = tuple[Value | None, Value | None]
"""Least and greatest, both included; None where a side is open."""

OF = ("session", "arm", "start", "end")
"""Columns whose bounds are kept, where a table has them."""
SELDOM = ("earlier",)
"""Columns that few rows fill: it is kept how many do."""
LATER = ("serial",)
"""Columns of which both is kept, apart from the rest: programs before this did not know them."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Bounds:
    """What is known of a file's rows without opening it."""

    rows: int
    spans: Mapping[str, tuple[Value, Value] | None] = field(default_factory=dict)
    """Least and greatest value of a column; None where no row has one."""
    filled: Mapping[str, int] = field(default_factory=dict)
    """How many rows have something in a column of `SELDOM` or `LATER`."""

    def may_hold(self, column: str, span: Span) -> bool:
        """Tell whether a row can lie within a span."""
        if column not in self.spans:
            return True
        own = self.spans[column]
        if own is None:
            return False
        low, high = span
        return (high is None or own[0] <= high) and (low is None or own[1] >= low)  # type: ignore[operator]

    def may_hold_any(self, column: str, values: Sequence[Value]) -> bool:
        """Tell whether a row can have one of some sorted values."""
        own = self.spans.get(column)
        if own is None:
            return column not in self.spans
        at = bisect_left(values, own[0])
        return at < len(values) and values[at] <= own[1]  # type: ignore[operator]

    def may_hold_one(self, column: str, values: Sequence[Value]) -> bool:
        """Tell whether a row can have one of some sorted values, or none at all."""
        empty = self.filled.get(column, 0) < self.rows
        return empty or self.may_hold_any(column, values)

    def agree_with(self, rows: Bounds) -> bool:
        """Tell whether these are the bounds of some rows; of `LATER` they may say nothing."""
        unsaid = set(LATER) - set(self.spans)
        return self == Bounds(
            rows.rows,
            {c: s for c, s in rows.spans.items() if c not in unsaid},
            {c: n for c, n in rows.filled.items() if c not in unsaid},
        )

    def written(self, *, later: bool = False) -> list[Any]:
        """Return what the manifest keeps, of the columns of old or of those of `LATER`."""
        spans = {c: list(s) if s else None for c, s in self.spans.items() if (c in LATER) == later}
        filled = {c: n for c, n in self.filled.items() if (c in LATER) == later}
        return [self.rows, spans, filled]


def read_bounds(kept: Sequence[Any], later: Sequence[Any] | None = None) -> Bounds:
    """Return bounds as a manifest kept them, in its two places."""
    rows, spans, filled = kept
    if later is not None:
        spans, filled = spans | later[1], filled | later[2]
    return Bounds(rows, {c: (s[0], s[1]) if s else None for c, s in spans.items()}, dict(filled))


def microseconds(instant: datetime) -> int:
    """Return an instant in microseconds since 1970, exactly."""
    since = instant - _EPOCH
    return (since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds


def bounds_of(rows: pl.DataFrame) -> Bounds:
    """Return the bounds of some rows."""
    spans: dict[str, tuple[Value, Value] | None] = {}
    for name in (*OF, *LATER):
        if name not in rows.columns:
            continue
        column = rows[name]
        if isinstance(column.dtype, pl.Datetime):
            column = column.dt.epoch("us")
        elif column.dtype != pl.String:
            continue
        low, high = column.min(), column.max()
        spans[name] = None if low is None or high is None else (low, high)  # type: ignore[assignment]
    counted = [n for n in (*SELDOM, *LATER) if n in rows.columns]
    filled = {n: rows.height - rows[n].null_count() for n in counted}
    return Bounds(rows.height, spans, filled)


def bounds_of_file(content: bytes | Path) -> Bounds:
    """Return the bounds of a Parquet file's rows; nothing else of it is read."""
    source = io.BytesIO(content) if isinstance(content, bytes) else content
    with fenced():
        there = pq.read_schema(source).names
        if isinstance(source, io.BytesIO):
            source.seek(0)
        wanted = [n for n in (*OF, *SELDOM, *LATER) if n in there]
        if not wanted:
            footer = pq.read_metadata(source)
            return Bounds(footer.num_rows)
        return bounds_of(pl.read_parquet(source, columns=wanted, glob=False))
