"""Rows that speak of one joint each: a column says which, and the others are unfolded by it.

``angle`` in a row whose joint column says ``J1`` is read as a column of the name ``J1.angle``.
Of a table of one value a row several columns together may name the channel; their words are
joined by a dot.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import polars as pl

from replay.errors import LogMapError, LogRefused
from replay.logs.maps import LogMap
from replay.logs.readers.raw import RawLog

MOST_JOINTS = 64


def unfolded(raw: RawLog, log_map: LogMap) -> RawLog:
    """Return a log with a column for each joint where the map names the joints' column.

    Raises
    ------
    LogMapError
        When there is no such column.
    LogRefused
        When it says so many words that it cannot tell joints.
    """
    if log_map.joint_column is None:
        return raw
    _demand(raw, "log.joint_column", log_map.joint_column)
    entry = log_map.time
    plain = {*entry.columns, entry.nanosecond, entry.date, log_map.run}
    for session in log_map.session.values():
        plain |= {*session.patterns, *session.columns}
    return unfold(raw, log_map.joint_column, frozenset(c for c in plain if c is not None))


def unfold(raw: RawLog, column: str, plain: frozenset[str]) -> RawLog:
    """Unfold all columns but the plain ones by the words of one."""
    found = raw.scan([column], frozenset([column])).select(
        _word(column).unique(maintain_order=True)
    )
    words = [w for w in found.collect().to_series() if w]  # as they first come: from end A
    if all(any(c.isdigit() for c in w) for w in words):
        words.sort(key=lambda w: (len(w), w))
    if not 0 < len(words) <= MOST_JOINTS:
        raise LogRefused(
            f"column {column!r} has {len(words)} words: it does not tell joints apart",
            file=raw.path,
            column=column,
        )
    kept = [c for c in raw.columns if c in plain]
    source = {f"{w}.{c}": (w, c) for c in raw.columns if c not in plain and c != column
              for w in words}  # fmt: skip
    columns = (*kept, *source)

    def columns_of(needed: Sequence[str]) -> list[pl.Expr]:
        return [
            pl.when(_word(column) == source[n][0]).then(pl.col(source[n][1])).alias(n)
            if n in source
            else pl.col(n)
            for n in needed
        ]

    def scan(needed: Sequence[str], as_text: frozenset[str]) -> pl.LazyFrame:
        names = [source[n][1] if n in source else n for n in needed]
        text = frozenset(source[n][1] if n in source else n for n in as_text)
        frame = raw.scan(list(dict.fromkeys([*names, column])), text | {column})
        return frame.select(columns_of(needed))

    scrub = raw.scrub
    units = {n: raw.units[c] for n, (_, c) in source.items() if c in raw.units}
    return replace(
        raw,
        columns=columns,
        sample=raw.sample.select(columns_of(columns)),
        scan=scan,
        units={**raw.units, **units},
        joint_rows=True,
        last_row_full=False,
        tell_tale=None,
        scrub=None if scrub is None else lambda folder: unfold(scrub(folder), column, plain),
    )


def with_channel_words(raw: RawLog, log_map: LogMap) -> RawLog:
    """Return a long table with one channel column where the map names several.

    Raises
    ------
    LogMapError
        When one of them is not there.
    """
    return raw if not log_map.long_parts else join_words(raw, log_map.long_parts)


def join_words(raw: RawLog, parts: Sequence[str]) -> RawLog:
    """Add a column with the words of several, joined by a dot."""
    for part in parts:
        _demand(raw, "long.channel", part)
    name = joined_name(parts)
    joined = pl.concat_str([_word(c) for c in parts], separator=".").alias(name)

    def scan(needed: Sequence[str], as_text: frozenset[str]) -> pl.LazyFrame:
        if name not in needed:
            return raw.scan(needed, as_text)
        names = list(dict.fromkeys([*(c for c in needed if c != name), *parts]))
        frame = raw.scan(names, (as_text - {name}) | frozenset(parts))
        return frame.with_columns(joined).select(needed)

    scrub = raw.scrub
    return replace(
        raw,
        columns=(*(c for c in raw.columns if c not in parts), name),
        sample=raw.sample.with_columns(joined).drop(parts),
        scan=scan,
        last_row_full=False,
        scrub=None if scrub is None else lambda folder: join_words(scrub(folder), parts),
    )


def joined_name(parts: Sequence[str]) -> str:
    """Return what the joined channel column is called."""
    return ".".join(parts)


def _word(column: str) -> pl.Expr:
    return pl.col(column).cast(pl.String).str.strip_chars(" \"'")


def _demand(raw: RawLog, key: str, column: str) -> None:
    if column not in raw.columns:
        raise LogMapError(
            f"{key}: no column {column!r}",
            file=raw.path,
            column=column,
            todo="columns: " + ", ".join(repr(c[:60]) for c in raw.columns[:8]),
        )
