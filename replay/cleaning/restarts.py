"""Several runs in one file that no column tells apart: its clock does, where it begins anew.

Each becomes a session of its own, stored whole, or the file is refused: a run is never
stored in part. What lies wholly apart in time is parted by time, however its rows are mixed;
where a clock that counts from a start begins anew, the rows are cut there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.cleaning.overlap import start_is_stated
from replay.cleaning.parts import find_time
from replay.cleaning.runs import MOST_RUNS
from replay.cleaning.stream.cleaner import blocks
from replay.cleaning.times.time_column import Clock
from replay.errors import LogRefused
from replay.logs.long_words import long_columns
from replay.logs.maps import LogMap
from replay.logs.readers.raw import RawLog, SetAside
from replay.wording import counted

Ints = npt.NDArray[np.int64]

LEAST_ROWS = 10
"""A run has at least so many rows; fewer are late, or a spike of the clock."""
_ANEW = 0.9
"""A clock that goes back by this share of the time since the run's first row begins anew."""
_HOLE_STEPS = 100
_HOLE_NS = 60 * 1_000_000_000
"""What lies apart in time by more than a minute and a hundred steps may be another run."""
_IN_ORDER = 0.99
_BETWEEN_NS = 1_000_000_000
"""Where a log does not say when a run began, it is placed so much after the one before."""


def runs_by_clock(raw: RawLog, log_map: LogMap) -> list[tuple[RawLog, LogMap]]:
    """Return the runs in the order of their times, each with the map that places it.

    Empty where the clock tells no runs apart.

    Raises
    ------
    LogRefused
        When it does, and they overlap in time.
    """
    long = log_map.layout == "long"
    column = long_columns(log_map)[0] if long else find_time(raw, log_map)
    if column is None:
        return []
    ns, rows = _instants(raw, log_map, column)
    if len(ns) < 2 * LEAST_ROWS:
        return []
    stated = start_is_stated(log_map)
    parts = [] if stated else _apart(ns)
    if not parts:
        parts = _begun_anew(ns)
    if not 2 <= len(parts) <= MOST_RUNS:
        return []
    if not stated:
        parts.sort(key=lambda p: int(ns[p].min()))
        for one, other in pairwise(parts):
            if ns[other].min() <= ns[one].max():
                first = int(rows[max(one[0], other[0])])
                raise LogRefused(
                    f"{len(parts)} runs lie in the file, the clock begins anew at row {first}, and "
                    "their times overlap: one arm does not run twice at once, so one of the two "
                    "clocks is wrong",
                    file=raw.path,
                    column=column,
                    todo="cut the file there, and take in the part whose times are right; the "
                    "other with a map that states its start",
                )
    found = []
    start = log_map.time.start_ns or 0
    for place, part in enumerate(parts):
        said = (
            f"run {place + 1} of {len(parts)} in the file, {counted(len(part), 'row')} from row "
            f"{int(rows[part[0]])}" + (": the clock begins anew there" if part[0] else "")
        )
        mine = log_map
        if stated and place:
            mine = replace(log_map, time=replace(log_map.time, start=_iso(start)))
            said += (
                f"; the log does not say when it began, so it is placed "
                f"{_BETWEEN_NS / 1e9:g} s after the run before it"
            )
        if stated:
            length = int(ns[part].max()) - (log_map.time.start_ns or 0)
            start += length + _BETWEEN_NS
        found.append((_cut(raw, rows[part] - 1, f"run {place + 1}", said), mine))
    return found


def _instants(raw: RawLog, log_map: LogMap, column: str) -> tuple[Ints, Ints]:
    """Return the instants that can be read, and their rows from 1, in the order of the file."""
    clock = Clock(log_map.time)
    names = [column, *([log_map.time.nanosecond] if log_map.time.nanosecond else [])]
    text = frozenset([column]) if raw.kind == "delimited" else frozenset[str]()
    ns, rows, done = [], [], 0
    for block in blocks(raw.scan(names, text)):
        mine, ok = clock.read_from(block, column)
        ns.append(mine[ok])
        rows.append(np.flatnonzero(ok) + done + 1)
        done += block.height
    empty = np.zeros(0, dtype=np.int64)
    return np.concatenate([empty, *ns]), np.concatenate([empty, *rows]).astype(np.int64)


def _apart(ns: Ints) -> list[Ints]:
    """Part rows by holes in time that the file goes back across."""
    order = np.argsort(ns, kind="stable")
    steps = np.diff(ns[order])
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    holes = np.flatnonzero(steps > max(_HOLE_NS, _HOLE_STEPS * usual))
    cluster = np.zeros(len(ns), dtype=np.int64)
    cluster[order[1:]] = np.cumsum(np.isin(np.arange(len(steps)), holes))
    falls = np.flatnonzero(np.diff(cluster) < 0)
    crossed = np.zeros(len(holes) + 1, dtype=np.bool_)
    for k in falls:
        crossed[cluster[k + 1] : cluster[k]] = True
    group = np.concatenate([[0], np.cumsum(crossed[:-1])])[cluster]
    parts = [np.flatnonzero(group == g) for g in range(int(group.max()) + 1)]
    whole = all(len(p) >= LEAST_ROWS and _rises(ns[p]) for p in parts)
    return parts if whole and len(parts) > 1 else []


def _begun_anew(ns: Ints) -> list[Ints]:
    """Cut where the clock goes back to about where the run began, or before it."""
    cuts = [0]
    for k in np.flatnonzero(np.diff(ns) < 0) + 1:
        run = ns[cuts[-1] : k]
        if len(run) < LEAST_ROWS or len(ns) - k < LEAST_ROWS:
            continue
        first, last = int(run[0]), int(run.max())
        ahead = ns[k : k + LEAST_ROWS]
        if last - int(ahead.min()) >= _ANEW * (last - first) and (ahead < last).all():
            cuts.append(int(k))
    parts = [np.arange(a, b) for a, b in zip(cuts, [*cuts[1:], len(ns)], strict=True)]
    return parts if all(_rises(ns[p]) for p in parts) else []


def _rises(ns: Ints) -> bool:
    return float(np.mean(np.diff(ns) >= 0)) >= _IN_ORDER


def _cut(raw: RawLog, rows: Ints, name: str, said: str) -> RawLog:
    """Return some rows of a log, by their places from 0, as a log of its own."""
    first, count = int(rows[0]), len(rows)
    whole = int(rows[-1]) - first + 1 == count

    def scan(needed: Sequence[str], as_text: frozenset[str]) -> pl.LazyFrame:
        frame = raw.scan(needed, as_text)
        if whole:
            return frame.slice(first, count)
        mine = pl.Series(rows).cast(pl.UInt64)
        numbered = frame.with_row_index("#row").with_columns(pl.col("#row").cast(pl.UInt64))
        return numbered.filter(pl.col("#row").is_in(mine.implode())).select(needed)

    sample = scan(raw.columns, frozenset(raw.columns) if raw.kind == "delimited" else frozenset())
    head = sample.head(1000).collect()
    return replace(
        raw,
        run=name,
        scan=scan,
        sample=head,
        head=head.height,
        set_aside=(*(a for a in raw.set_aside if not a.rows), SetAside("run", said)),
        removed=(),
        last_row_suspect=False,
        tell_tale=None,
        lines=None,
        scrub=None,
    )


def _iso(ns: int) -> str:
    return f"{np.datetime64(ns, 'ns')}Z"
