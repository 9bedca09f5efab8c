"""The words in a long table's channel column stand for a wide table's columns."""

from __future__ import annotations

import polars as pl

from replay.errors import LogMapError
from replay.logs.maps import LogMap
from replay.logs.readers.raw import RawLog


def long_columns(log_map: LogMap) -> tuple[str, str, str]:
    """Return the names of a long table's time, channel and value columns."""
    if log_map.packets:
        return ("time", "channel", "value")
    return log_map.long or ("time", "channel", "value")


def channel_names(raw: RawLog, log_map: LogMap) -> tuple[str, ...]:
    """Return the words in a long table's channel column.

    Raises
    ------
    LogMapError
        When one of the three columns is not there.
    """
    names = long_columns(log_map)
    for name in names:
        if name not in raw.columns:
            raise LogMapError(
                f"long: no column {name!r}",
                file=raw.path,
                column=name,
                todo="columns: " + ", ".join(repr(c) for c in raw.columns[:8]),
            )
    words = raw.scan([names[1]], frozenset([names[1]])).select(pl.col(names[1]).unique())
    return tuple(sorted(w for w in words.collect(engine="streaming").to_series() if w is not None))
