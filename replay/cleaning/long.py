"""Long tables: one value a row, so channels come with instants of their own.

Channels that share their instants become one stream; nothing is resampled.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl

from replay.arm import Arm
from replay.cleaning.clock import Clock
from replay.cleaning.parts import Follow, Part, clean_wide
from replay.cleaning.streams import original_rows
from replay.errors import LogRefused
from replay.logs.bind import Binding
from replay.logs.long_words import long_columns
from replay.logs.maps import LogMap
from replay.logs.raw import RawLog, SetAside
from replay.logs.words import dictionary

SHARED = 0.5
"""Channels with at least this share of common instants go into one stream."""
_TIME, _CHANNEL, _VALUE = "time", "channel", "value"


def clean_long(
    raw: RawLog,
    log_map: LogMap,
    bindings: list[Binding],
    joints: tuple[str, ...],
    arm: Arm | None,
    folder: Path,
    follow: Follow | None = None,
) -> Part:
    """Clean a long table into one stream for each set of instants."""
    time, word, value = long_columns(log_map)
    raw.tell_tale = value if raw.kind == "delimited" else None
    if raw.scrub is not None and _has_short_rows(raw, value):
        raw = raw.scrub()
    wanted = {b.column for b in bindings}
    text = frozenset([time, word, value]) if raw.kind == "delimited" else frozenset([word])
    frame = raw.scan([time, word, value], text).rename({time: _TIME, word: _CHANNEL, value: _VALUE})
    rows = (
        frame.with_row_index("row", 1)
        .filter(pl.col(_CHANNEL).is_in(list(wanted)))
        .with_columns(pl.col(_CHANNEL).cast(pl.Categorical))
        .collect()
    )
    if raw.last_row_suspect and rows.height:
        total = frame.select(pl.len()).collect().item()
        rows = rows.filter(pl.col("row") != total)
        raw.set_aside.append(
            SetAside(
                "cut-row",
                "the file does not end in a line end; its last row was set aside",
                (int(original_rows(rows["row"].tail(1).to_numpy(), raw.removed)[0]) + 1,),
            )
        )
    clock = Clock(log_map.time)
    ns, ok = clock.read(rows[_TIME], rows.height)
    if not ok.all():
        bad = rows.filter(pl.Series(~ok))
        if bad.height == rows.height:
            raise LogRefused(
                f"no row has a time of the form {log_map.time.format}", file=raw.path, column=time
            )
        raw.set_aside.append(
            SetAside(
                "time",
                f"the time cannot be read as {log_map.time.format}: {bad[_TIME][0]!r}",
                tuple(bad["row"].head(100).to_list()),
                bad.height,
            )
        )
    table = pl.DataFrame(
        {"ns": ns, "row": rows["row"], "channel": rows[_CHANNEL], "value": rows[_VALUE]}
    ).filter(pl.Series(ok))
    back = table.filter(pl.col("ns").diff().over("channel") < 0)["row"]
    if len(back):
        steps = original_rows(back.head(100).cast(pl.Int64).to_numpy(), raw.removed)
        raw.set_aside.append(
            SetAside(
                "clock-step",
                "the time of a channel goes back here; its values were put in the order of their "
                "times, so two passes over the same times lie mixed",
                tuple(steps.tolist()),
                len(back),
            )
        )
    by_channel = {
        str(key[0]): group.select("ns", "value")
        for key, group in table.group_by(["channel"], maintain_order=True)
    }
    bound = [b for b in bindings if b.column in by_channel]
    part = Part(raw)
    fixed = replace(
        _one_base(log_map, bound, by_channel, raw.path),
        time=replace(log_map.time, columns=("ns",), format="epoch-ns", scale="UTC"),
    )
    for name, members in _groups(bound, by_channel).items():
        wide = _side_by_side(members, by_channel)
        inner = RawLog(
            path=raw.path,
            kind=raw.kind + "-long",
            columns=tuple(wide.columns),
            sample=wide.head(5000),
            head=min(wide.height, 5000),
            scan=lambda needed, as_text, wide=wide: wide.lazy().select(needed),  # type: ignore[misc]
            decimal_comma=raw.decimal_comma,
        )
        made = clean_wide(
            inner,
            fixed,
            members,
            joints,
            arm,
            folder,
            stream=name,
            time_column="ns",
            on_change=_on_change(wide["ns"], table["ns"]),
            follow=follow,
        )
        for cleaner in made.cleaners.values():
            for plan in cleaner.plans:
                if plan.text_first_row is not None:
                    at = wide["ns"][plan.text_first_row - 1]
                    plan.text_first_row = _row_in_file(table, plan.column, at, raw)
        part.streams |= made.streams
        part.cleaners |= made.cleaners
    first = next(iter(part.cleaners.values()))
    first.clock.entry = log_map.time  # the notes speak of the log's own times
    first.clock.no_zone += clock.no_zone
    first.clock.leap_seconds += clock.leap_seconds
    return part


def _row_in_file(table: pl.DataFrame, channel: str, ns: int, raw: RawLog) -> int:
    """Return the data row, in the file, of a channel's first value at an instant."""
    row = table.filter((pl.col("ns") == ns) & (pl.col("channel").cast(pl.String) == channel))["row"]
    return int(original_rows(row.head(1).cast(pl.Int64).to_numpy(), raw.removed)[0])


def _one_base(
    log_map: LogMap, bindings: list[Binding], by_channel: dict[str, pl.DataFrame], file: Path
) -> LogMap:
    """State the base end once for all streams, where joints are counted from it."""
    entry = log_map.session.get("base_end")
    if log_map.numbering != "base" or entry is None or entry.value is not None:
        return log_map
    column = next((b.column for b in bindings if b.entry is entry), None)
    words = dictionary(entry.quantity, entry.words) or {}
    said = set() if column is None else set(by_channel[column]["value"].drop_nulls())
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


def _has_short_rows(raw: RawLog, value: str) -> bool:
    nulls = raw.scan([value], frozenset([value])).select(pl.col(value).null_count())
    return bool(nulls.collect().item())


def _groups(
    bindings: list[Binding], by_channel: dict[str, pl.DataFrame]
) -> dict[str, list[Binding]]:
    """Put channels that share instants together; currents make up ``main``."""
    order = sorted(bindings, key=lambda b: (b.entry.quantity != "current_a", bindings.index(b)))
    groups: list[tuple[pl.Series, list[Binding]]] = []
    for b in order:
        mine = by_channel[b.column]["ns"].unique()
        for place, (theirs, members) in enumerate(groups):
            if _share(mine, theirs) >= SHARED:
                members.append(b)
                if len(mine) > len(theirs):
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


def _share(one: pl.Series, other: pl.Series) -> float:
    if len(one) == len(other) and one.equals(other):
        return 1.0
    common = one.is_in(other.implode()).sum()
    return float(common) / max(len(one), len(other), 1)


def _on_change(mine: pl.Series, all_ns: pl.Series) -> bool:
    """Tell whether samples fill less than half of the log at their own usual step."""
    if len(mine) < 10:
        return True
    usual = float(np.median(np.diff(mine.to_numpy())))
    instants = all_ns.to_numpy()
    return usual <= 0 or len(mine) * usual < 0.5 * float(instants.max() - instants.min())


def _side_by_side(members: list[Binding], by_channel: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """Join channels on their instants; a repeated instant stays a row of its own."""
    wide: pl.DataFrame | None = None
    for b in members:
        one = by_channel[b.column].rename({"value": b.column})
        one = one.with_columns(pl.col("ns").cum_count().over("ns").alias("#"))
        if wide is None:
            wide = one
        else:
            wide = wide.join(
                one, on=["ns", "#"], how="full", coalesce=True, maintain_order="left_right"
            )
    assert wide is not None
    return wide.sort("ns", "#", maintain_order=True).drop("#")
