"""A date in one column and the time of day in another: read as one column of instants."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import polars as pl

from replay.errors import LogMapError
from replay.logs.maps import LogMap
from replay.logs.readers.raw import RawLog


def with_date(raw: RawLog, log_map: LogMap) -> RawLog:
    """Return a log whose time column says the date too, where the map names one for it.

    Raises
    ------
    LogMapError
        When there is no such column.
    """
    date = log_map.time.date
    time = log_map.time.column_in(raw.columns)
    if date is None or time is None:
        return raw
    if date not in raw.columns:
        raise LogMapError(
            f"time.date: no column {date!r}",
            file=raw.path,
            column=date,
            todo="columns: " + ", ".join(repr(c[:60]) for c in raw.columns[:8]),
        )
    return _joined(raw, date, time)


def joined_column(date: str, time: str) -> pl.Expr:
    """Return both columns as one text; null where one of them is."""
    parts = [pl.col(c).cast(pl.String).str.strip_chars(" \"'") for c in (date, time)]
    return pl.concat_str(parts, separator=" ").alias(time)


def _joined(raw: RawLog, date: str, time: str) -> RawLog:
    def scan(needed: Sequence[str], as_text: frozenset[str]) -> pl.LazyFrame:
        if time not in needed:
            return raw.scan(needed, as_text)
        names = list(dict.fromkeys([*needed, date]))
        frame = raw.scan(names, as_text | {date, time})
        return frame.with_columns(joined_column(date, time)).select(needed)

    scrub = raw.scrub
    return replace(
        raw,
        scan=scan,
        sample=raw.sample.with_columns(joined_column(date, time)),
        scrub=None if scrub is None else lambda folder: _joined(scrub(folder), date, time),
    )
