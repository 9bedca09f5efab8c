"""Logs of one session that hold the same channels: a second recorder, or the same samples twice.

A log whose samples come at least twice as quickly is a second recorder (one
that a trigger starts, as a rule) and becomes a stream of its own, set by the
motion that both saw. Logs that say the same at the same instants are merged.
For all others a person is asked which is right; nothing is dropped.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations
from pathlib import Path

import polars as pl

from replay.cleaning.notes import instant
from replay.cleaning.parts import Follow, Part
from replay.cleaning.second_recorder import asked_which, set_by_motion
from replay.cleaning.stream.cleaner import StreamCleaner, blocks
from replay.cleaning.stream.encode import StreamWriter
from replay.errors import LogRefused
from replay.records import QualityNote
from replay.units import TIME

QUICKER = 2.0
"""A second recorder's samples come at least this many times as quickly."""
SAME_INSTANTS = 0.9
"""Logs merge when so much of the fewer rows of a common stretch has an instant of the other's."""
_PIECE_ROWS = 200_000


def settle(parts: Sequence[Part], folder: Path, follow: Follow) -> list[Part]:
    """Return a session's parts with each pair that has the same channels settled.

    Raises
    ------
    LogRefused
        When two logs contradict each other.
    """
    for one, other in combinations(parts, 2):
        for mine, theirs in _sharing(one, other):
            if not (one.streams.get(mine) and other.streams.get(theirs)):
                continue  # merged into another already
            a, b = one.cleaners[mine], other.cleaners[theirs]
            slow, quick = ((one, mine), (other, theirs))
            if a.nominal_ns < b.nominal_ns:
                slow, quick = quick, slow
            steps = sorted((a.nominal_ns, b.nominal_ns))
            if steps[1] >= QUICKER * steps[0]:
                set_by_motion(slow, quick, folder, follow)
            elif a.first_ns is not None and b.first_ns is not None:
                first, second = ((one, mine), (other, theirs))
                if b.first_ns < a.first_ns:
                    first, second = second, first
                _merge(first, second, folder, follow)
    return sorted(parts, key=lambda part: part.second)


def _sharing(one: Part, other: Part) -> Iterator[tuple[str, str]]:
    for mine, cleaner in one.cleaners.items():
        for theirs, their_cleaner in other.cleaners.items():
            if {p.name for p in cleaner.plans} & {p.name for p in their_cleaner.plans}:
                yield mine, theirs


def _merge(first: tuple[Part, str], second: tuple[Part, str], folder: Path, follow: Follow) -> None:
    """Write both streams as one, in pieces of time; the first began earlier."""
    (one, mine), (other, theirs) = first, second
    a, b = one.cleaners[mine], other.cleaners[theirs]
    early, late = one.streams[mine], other.streams[theirs]
    low, a_last, b_last = b.first_ns or 0, a.last_ns or 0, b.last_ns or 0
    high = min(a_last, b_last)
    longer = early if a_last >= b_last else late
    names = [TIME, *dict.fromkeys(p.name for c in (a, b) for p in c.plans)]
    target = folder / f"merged-{early.stem}-{len(list(folder.iterdir()))}.parquet"
    both = alone = 0

    def pieces() -> Iterator[pl.DataFrame]:
        nonlocal both, alone
        yield from blocks(_span(early, None, low))
        span_ns = _PIECE_ROWS * min(a.nominal_ns, b.nominal_ns)
        for start in range(low, high + 1, span_ns):
            stop = min(start + span_ns, high + 1)
            mine_rows = _span(early, start, stop).collect()
            their_rows = _span(late, start, stop).collect()
            merged = _same(mine_rows, their_rows, one, other)
            both += mine_rows.height + their_rows.height - merged.height
            alone += 2 * merged.height - mine_rows.height - their_rows.height
            yield merged
        yield from blocks(_span(longer, high + 1, None))

    _start_count(a)
    with StreamWriter(target, follow(target)) as writer:
        for piece in pieces():
            if piece.height:
                whole = piece.select(
                    pl.col(n) if n in piece.columns else pl.lit(None, _dtype(n, a, b)).alias(n)
                    for n in names
                )
                a.count(whole)
                writer.write(whole)
    a.plans += [p for p in b.plans if p.name not in {q.name for q in a.plans}]
    one.streams[mine] = target
    del other.streams[theirs]
    said = (
        f"{one.raw.path.name} and {other.raw.path.name} say the same at the {both} instants that "
        "both have, and were merged"
    )
    if alone:
        said += f"; {alone} instants of the stretch they share are in one of them only"
    one.told.append(
        QualityNote("merged", said, channel=TIME, start=instant(low), end=instant(high), count=both)
    )


def _same(mine: pl.DataFrame, theirs: pl.DataFrame, one: Part, other: Part) -> pl.DataFrame:
    """Return both logs' rows of a stretch, each instant once; refuse what contradicts itself."""
    shared = [c for c in mine.columns if c in theirs.columns and c != TIME]
    met = mine.join(theirs, on=TIME, suffix="#")
    fewer = min(mine.height, theirs.height)
    if met.height < SAME_INSTANTS * fewer:
        raise _asked(
            one,
            other,
            f"of the {fewer} rows in a stretch that both cover, {met.height} have the same instant",
        )
    for name in shared:
        unlike = met.filter(pl.col(name).ne_missing(pl.col(f"{name}#")))
        if unlike.height:
            at, a, b = unlike.select(TIME, name, f"{name}#").row(0)
            raise _asked(
                one, other, f"{name} at {at:%Y-%m-%dT%H:%M:%S.%fZ} is {a} in the first, {b} in the "
                f"second, and differs at {unlike.height} of {met.height} instants"
            )  # fmt: skip
    extra = [c for c in theirs.columns if c not in mine.columns]
    left = mine.join(theirs.select(TIME, *extra), on=TIME, how="left") if extra else mine
    alone = theirs.join(mine, on=TIME, how="anti")
    return pl.concat([left, alone], how="diagonal").sort(TIME)


def _asked(one: Part, other: Part, why: str) -> LogRefused:
    return asked_which(f"{one.raw.path.name} and {other.raw.path.name}", other.raw.path, why)


def _span(path: Path, start: int | None, stop: int | None) -> pl.LazyFrame:
    frame = pl.scan_parquet(path, glob=False)
    if start is not None:
        frame = frame.filter(pl.col(TIME) >= _at(start))
    return frame if stop is None else frame.filter(pl.col(TIME) < _at(stop))


def _at(ns: int) -> pl.Expr:
    return pl.lit(ns).cast(pl.Datetime("ns")).dt.replace_time_zone("UTC")


def _dtype(name: str, *cleaners: StreamCleaner) -> pl.DataType:
    return next(p.dtype for c in cleaners for p in c.plans if p.name == name)


def _start_count(cleaner: StreamCleaner) -> None:
    """Forget a cleaner's gaps and rows: those of the merged stream are counted afresh."""
    cleaner.rows_out = cleaner.missing = cleaner.gap_ns = cleaner.gap_count = 0
    cleaner.set_aside_in_gaps = 0
    cleaner.gaps = []
    cleaner.first_ns = cleaner.last_ns = None
    cleaner.nulls_out.clear()
