"""Several runs in one file, told apart by a column: each becomes a session of its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import polars as pl

from replay.errors import LogMapError, LogRefused
from replay.logs.maps import LogMap
from replay.logs.readers.raw import RawLog
from replay.logs.times.timeforms import SINCE_START

MOST_RUNS = 1000


def runs_of(raw: RawLog, column: str) -> list[RawLog]:
    """Return a log of its own for each word of the column, in the order of the rows.

    Raises
    ------
    LogMapError
        When there is no such column.
    """
    if column not in raw.columns:
        raise LogMapError(
            f"log.run: no column {column!r}",
            file=raw.path,
            column=column,
            todo="columns: " + ", ".join(repr(c[:60]) for c in raw.columns[:8]),
        )
    text = frozenset([column])
    found = raw.scan([column], text).select(pl.col(column).unique(maintain_order=True)).collect()
    return [_one(raw, column, word) for word in found.to_series() if word is not None]


def refuse_runs(
    runs: Sequence[RawLog],
    spans: Sequence[tuple[int, int] | None],
    raw: RawLog,
    log_map: LogMap,
) -> None:
    """Refuse runs that cannot be placed in time, lie in one another, or are no runs.

    Parameters
    ----------
    spans : sequence of (int, int) or None
        First and last instant of each run, ns since 1970, as far as it was sampled.

    Raises
    ------
    LogRefused
        With the way out.
    """
    if not 0 < len(runs) <= MOST_RUNS:
        raise LogRefused(
            f"column {log_map.run!r} has {len(runs)} words: it does not tell runs apart",
            file=raw.path,
            column=log_map.run,
        )
    entry = log_map.time
    if len(runs) > 1 and (entry.rows_at_hz is not None or entry.format in SINCE_START):
        raise LogRefused(
            f"holds {len(runs)} runs, and their times count from a start that is stated once: "
            "they cannot be placed",
            file=raw.path,
            column=log_map.run,
            todo="cut the file by runs, each with its own start in its name "
            '([time] start_from = "name"), or leave [log] run out: where the clock begins anew '
            "the runs are placed one after the other",
        )
    known = sorted(s for s in spans if s is not None)
    if any(b[0] < a[1] for a, b in pairwise(known)):
        raise LogRefused(
            f"the runs that column {log_map.run!r} tells apart overlap in time: one arm does not "
            "run twice at once",
            file=raw.path,
            column=log_map.run,
            todo="cut the file by that column, and take each part in with its own --arm",
        )


def _one(raw: RawLog, column: str, word: str) -> RawLog:
    def scan(needed: Sequence[str], as_text: frozenset[str]) -> pl.LazyFrame:
        names = list(dict.fromkeys([*needed, column]))
        mine = pl.col(column).cast(pl.String) == word
        return raw.scan(names, as_text | {column}).filter(mine).select(needed)

    sample = raw.sample.filter(pl.col(column).cast(pl.String) == word)
    if not sample.height:  # a run that the sample did not meet
        sample = scan(raw.columns, frozenset(raw.columns)).head(1000).collect()
    told = tuple(a for a in raw.set_aside if not a.rows)
    return replace(
        raw,
        run=word,
        scan=scan,
        sample=sample,
        head=sample.height,
        set_aside=told,
        removed=(),
        last_row_suspect=False,
        tell_tale=None,
        lines=None,
        scrub=None,
    )
