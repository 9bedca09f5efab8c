"""Long tables: one value a row, so channels come with instants of their own.

Channels that share their instants become one stream; nothing is resampled.
The table may be larger than memory: its rows are sorted out by channel on
disk, put in order channel by channel, and joined in pieces.

Longer than 245 lines because the passes over one table hand the same pieces on.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import polars as pl

from replay.arm import Arm
from replay.cleaning.long.align import write_aligned
from replay.cleaning.long.partition import LongTable, partition_by_channel
from replay.cleaning.long.series import NS, ROW, VALUE, Series, shared
from replay.cleaning.parts import Follow, Part, clean_wide
from replay.cleaning.stream.cleaner import StreamCleaner, blocks
from replay.cleaning.times.order import Lapse
from replay.errors import LogRefused
from replay.logs.bind import Binding
from replay.logs.maps import LogMap
from replay.logs.readers.raw import RawLog, SetAside
from replay.logs.words import dictionary

SHARED = 0.5
"""Channels with at least this share of common instants go into one stream."""


@dataclass(frozen=True, slots=True)
class Pieces:
    """How many rows are held at once; the outcome does not depend on it."""

    read: int = 131_072
    """Of the file."""
    sort: int = 1_048_576
    """Of one channel that is out of order."""
    join: int = 524_288
    """Of all channels together that are put side by side."""


def clean_long(
    raw: RawLog,
    log_map: LogMap,
    bindings: list[Binding],
    joints: tuple[str, ...],
    arm: Arm | None,
    folder: Path,
    follow: Follow | None = None,
    pieces: Pieces = Pieces(),
) -> Part:
    """Clean a long table into one stream for each set of instants.

    Raises
    ------
    LogRefused
        When no row is left, or the table cannot be decoded.
    """
    table = partition_by_channel(raw, log_map, {b.column for b in bindings}, folder, pieces.read)
    raw = replace(table.raw, set_aside=(*table.raw.set_aside, *_met(table, log_map)))
    by_channel = _in_order(table, folder, pieces.sort)
    bound = [b for b in bindings if b.column in by_channel]
    part = Part(raw)
    fixed = replace(
        _one_base(log_map, bound, by_channel, raw.path),
        time=replace(log_map.time, columns=(NS,), format="epoch-ns", scale="UTC"),
    )
    for name, members in _groups(bound, by_channel).items():
        series = [by_channel[c] for c in dict.fromkeys(b.column for b in members)]
        beside = folder / f"{name}.beside.parquet"
        rows = write_aligned(series, beside, max(pieces.join // len(series), 1))
        made = clean_wide(
            _as_log(raw, beside),
            fixed,
            members,
            joints,
            arm,
            folder,
            stream=name,
            time_column=NS,
            on_change=_on_change(beside, rows, table.last_ns - table.first_ns),
            follow=follow,
        )
        (cleaner,) = made.cleaners.values()
        _rows_of_file(cleaner, beside, by_channel)
        _tell_of_repeats(cleaner, series)
        part.streams |= made.streams
        part.cleaners |= made.cleaners
        beside.unlink()
    first = next(iter(part.cleaners.values()))
    first.clock.entry = log_map.time  # the notes speak of the log's own times
    first.clock.no_zone += table.clock.no_zone
    first.clock.leap_seconds += table.clock.leap_seconds
    for spill in {id(s.spill): s.spill for s in by_channel.values()}.values():
        spill.clear()
    return part


def _met(table: LongTable, log_map: LogMap) -> list[SetAside]:
    """Return what was met while the rows were sorted out."""
    aside: list[SetAside] = []
    if table.cut_row is not None:
        aside.append(
            SetAside(
                "cut-row",
                "the file does not end in a line end; its last row was set aside",
                (table.cut_row,),
            )
        )
    bad = table.bad_times
    if bad.count:
        aside.append(
            SetAside(
                "time",
                f"the time cannot be read as {log_map.time.format}: {table.bad_time!r}",
                tuple(bad.rows),
                bad.count,
            )
        )
    back = _together([s.stepped_back for s in table.series.values()])
    if back.count:
        aside.append(
            SetAside(
                "clock-step",
                "the time of a channel goes back here; its values were put in the order of their "
                "times, so two passes over the same times lie mixed",
                tuple(back.rows),
                back.count,
            )
        )
    return aside


def _in_order(table: LongTable, folder: Path, most_rows: int) -> dict[str, Series]:
    """Put each channel in the order of its times; refuse times too coarse for it."""
    found: dict[str, Series] = {}
    for place, (name, series) in enumerate(table.series.items()):
        own = folder / f"channel{place}"
        own.mkdir()
        made = found[name] = series.in_order(own, most_rows)
        if made.contradictions.count > 0.5 * series.rows:
            raise LogRefused(
                f"{made.contradictions.count} of {series.rows} values of channel {name!r} share "
                "their instant with another one: the times are too coarse for the samples",
                file=table.raw.path,
                column=table.time_column,
                todo="export finer times",
            )
    return found


def _as_log(raw: RawLog, beside: Path) -> RawLog:
    """Return the channels that lie side by side as a log of one row an instant."""
    frame = pl.scan_parquet(beside, glob=False)
    sample = frame.head(5000).collect()
    return RawLog(
        path=raw.path,
        kind=raw.kind + "-long",
        columns=tuple(sample.columns),
        sample=sample,
        head=sample.height,
        scan=lambda needed, as_text: frame.select(needed),
        decimal_comma=raw.decimal_comma,
    )


def _rows_of_file(cleaner: StreamCleaner, beside: Path, by_channel: Mapping[str, Series]) -> None:
    """Turn the rows that notes on values name into rows of the file."""
    for plan in cleaner.plans:
        if plan.text_first_row is None:
            continue
        at = (
            pl.scan_parquet(beside, glob=False)
            .select(NS)
            .slice(plan.text_first_row - 1, 1)
            .collect()
            .item()
        )
        for piece in by_channel[plan.column].pieces():
            rows = piece.filter(pl.col(NS) == at)[ROW]
            if len(rows):
                plan.text_first_row = int(rows[0])
                break


def _tell_of_repeats(cleaner: StreamCleaner, series: Sequence[Series]) -> None:
    """Hand on what was left out of the channels for its instant, in rows of the file."""
    cleaner.orderer.duplicates = _together([s.duplicates for s in series])
    cleaner.orderer.contradictions = _together([s.contradictions for s in series])


def _together(lapses: Sequence[Lapse]) -> Lapse:
    some = [lapse for lapse in lapses if lapse.count]
    if not some:
        return Lapse()
    return Lapse(
        sum(lapse.count for lapse in some),
        sorted(row for lapse in some for row in lapse.rows)[:100],
        min(lapse.first_ns for lapse in some),
        max(lapse.last_ns for lapse in some),
    )


def _one_base(
    log_map: LogMap, bindings: list[Binding], by_channel: Mapping[str, Series], file: Path
) -> LogMap:
    """State the base end once for all streams, where joints are counted from it."""
    entry = log_map.session.get("base_end")
    if log_map.numbering != "base" or entry is None or entry.value is not None:
        return log_map
    column = next((b.column for b in bindings if b.entry is entry), None)
    words = dictionary(entry.quantity, entry.words) or {}
    said: set[object] = set()
    for piece in [] if column is None else by_channel[column].pieces():
        said |= set(piece[VALUE].drop_nulls().unique())
    ends = {words.get(str(w).strip().lower()) for w in said} - {None}
    if len(ends) != 1:
        raise LogRefused(
            "joints are numbered from the base, and the base changes or is unknown in this log",
            file=file,
            todo="cut the log where the base changes",
        )
    return replace(
        log_map,
        session={**log_map.session, "base_end": replace(entry, value=str(ends.pop()))},
    )


def _groups(bindings: list[Binding], by_channel: Mapping[str, Series]) -> dict[str, list[Binding]]:
    """Put channels that share instants together; currents make up ``main``."""
    order = sorted(bindings, key=lambda b: (b.entry.quantity != "current_a", bindings.index(b)))
    groups: list[tuple[Series, list[Binding]]] = []
    for b in order:
        mine = by_channel[b.column]
        for place, (theirs, members) in enumerate(groups):
            fewer, more = sorted((mine.rows, theirs.rows))
            if fewer >= SHARED * more and shared(mine, theirs) >= SHARED:
                members.append(b)
                if mine.rows > theirs.rows:
                    groups[place] = (mine, members)
                break
        else:
            groups.append((mine, [b]))
    named: dict[str, list[Binding]] = {}
    for place, (_, members) in enumerate(groups):
        base = "main" if place == 0 else re.sub(r"\W+", "_", members[0].channel).strip("_").lower()
        name = base if base not in named else f"{base}_{place}"
        named[name] = members
    return named


def _on_change(beside: Path, rows: int, span_ns: int) -> bool:
    """Tell whether samples fill less than half of the log at their own usual step.

    The usual step is the median one. Whether it is below the limit is counted,
    so that the steps need not be held.
    """
    if rows < 10 or span_ns <= 0:
        return True
    limit = 0.5 * span_ns / rows
    below, under, over = 0, 0, 1 << 62
    last: int | None = None
    for block in blocks(pl.scan_parquet(beside, glob=False).select(NS)):
        ns = block[NS].to_numpy()
        steps = np.diff(ns) if last is None else np.diff(ns, prepend=last)
        last = int(ns[-1])
        low = steps < limit
        below += int(low.sum())
        under = max(under, int(steps[low].max(initial=0)))
        over = min(over, int(steps[~low].min(initial=1 << 62)))
    if 2 * below == rows - 1:
        return (under + over) / 2 < limit
    return 2 * below > rows - 1
