"""Propose a log map for a log that nobody described, line by line.

Names come first, unit rows second, values last; every line carries how sure
it is and why.

Longer than 245 lines because names, unit rows and values overrule each other in the order of
this file.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl

from replay.logs import scales
from replay.logs.maps import JOINT_KEYS
from replay.logs.proposing import guesses
from replay.logs.proposing.commands import sort_out_commands
from replay.logs.proposing.groups import (
    Group,
    choose,
    columns_of,
    group,
    named_alone,
    of_one_joint,
)
from replay.logs.proposing.guesses import Floats, Guess
from replay.logs.proposing.joint_rows import channel_parts, joint_column, plain_columns
from replay.logs.proposing.name_pieces import pieces
from replay.logs.proposing.names import Reading, read_name
from replay.logs.proposing.proposal import Line, Proposal
from replay.logs.proposing.run_rows import run_column
from replay.logs.proposing.times import (
    date_and_time,
    nanosecond_column,
    seconds_of,
    time_column,
    time_lines,
)
from replay.logs.proposing.units import Column, propose_units
from replay.logs.proposing.vocabulary import LIMIT_WORDS
from replay.logs.proposing.widen import doubted, joints_of, widen
from replay.logs.readers.joint_rows import join_words, joined_name, unfold
from replay.logs.readers.open_log import open_log
from replay.logs.readers.raw import RawLog
from replay.logs.readers.split_instants import joined_column
from replay.logs.times.timeforms import SINCE_START
from replay.logs.words import dictionary

_LONG_COLUMNS = 5
_LONG_WORDS = 2000


def propose_map(path: str | Path) -> Proposal:
    """Look at a log's names and values and propose a map.

    Parameters
    ----------
    path : str or Path
        A log of any format that can be read.

    Returns
    -------
    Proposal
        A map, and how sure each of its lines is.

    Raises
    ------
    LogRefused
        When the file is no table at all.
    """
    with tempfile.TemporaryDirectory(prefix="jointbook-") as scratch:
        return propose(open_log(Path(path), Path(scratch)))


def propose(raw: RawLog) -> Proposal:
    """Propose a map for an opened log; see `propose_map`."""
    told = [a.detail for a in raw.set_aside if a.kind != "unit-row"]  # its lines say so
    source, lines = str(raw.path), list[Line]()
    read: dict[str, tuple[str, ...]] = {}
    table: Mapping[str, pl.Series] = {c: raw.sample[c] for c in raw.columns}
    head = raw.sample.head(max(raw.head, 1))
    long = _long_columns(raw)
    parts: list[str] = []
    if long is not None:
        parts = channel_parts(head, *long)
        if len(parts) > 1:
            raw = join_words(raw, parts)
            long = (long[0], joined_name(parts), long[2])
    time = time_column(head) if long is None else long[0]
    by_joint = joint_column(raw, head, time) if long is None and time is not None else None
    if by_joint is not None:
        plain = plain_columns(raw, head, [time, nanosecond_column(head, time)])
        raw = unfold(raw, by_joint.value, plain)
        table = {c: raw.sample[c] for c in raw.columns}
        head = raw.sample.head(max(raw.head, 1))
    apart = date_and_time(head) if long is None and time is None else None
    if apart is not None:
        head, time = head.with_columns(joined_column(*apart)), apart[1]
    if long is not None:
        word, value = long[1:]
        table = {
            str(k[0]): g[value]
            for k, g in raw.sample.group_by([word], maintain_order=True)
            if k[0] is not None
        }
    below = nanosecond_column(head, time) if long is None else None
    present = tuple(c for c in table if c not in (time, below, *(apart or ())))
    readings = [read_name(n) for n in present if not _empty(table[n])]
    groups = group(readings)
    chosen, keys, by_number = choose(groups)
    alone = of_one_joint(readings)
    if alone and len(alone) > len([q for q in chosen if q in JOINT_KEYS]):
        chosen, keys, by_number = alone, ["1"], True
    if "current" in chosen and not {"angle", "rate"} & set(chosen):
        bare = named_alone(readings, chosen["current"], present)
        if bare is not None:
            chosen["angle"] = bare
            groups = [*groups, bare]
    chosen, added = widen(chosen, [r.name for r in readings])
    if added:
        keys, by_number = joints_of(chosen), False
    values = {c: guesses.numbers(table[c], raw.decimal_comma) for c in present}
    doubts = sort_out_commands(chosen, groups, keys, values, table)
    picked = {q: columns_of(g, groups, keys) for q, g in chosen.items()}
    mine = _log_lines(long is not None, keys, by_number, chosen, picked)
    lines += [doubted(line, added) if line.key == "joints" else line for line in mine]
    if by_joint is not None:
        said, sure = json.dumps(by_joint.value), by_joint.confidence
        lines.append(Line("log", "joint_column", said, sure, by_joint.why))
    when = time_lines(head, time, raw.path)
    dated = not any(x.key == "format" and json.loads(x.value) in SINCE_START for x in when)
    if (
        by_joint is None
        and long is None
        and time
        and dated
        and (run := run_column(raw.sample, time))
    ):
        why = f"{run.why}; each becomes a session"
        lines.append(Line("log", "run", json.dumps(run.value), run.confidence, why))
        read["log"] = (run.value,)
    if long is not None:
        named = (long[0], parts if len(parts) > 1 else long[1], long[2])
        lines += [
            Line("long", k, json.dumps(c), 0.9, "few columns, one of them words that repeat")
            for k, c in zip(("time", "channel", "value"), named, strict=True)
        ]
    if apart is not None:
        why = "it holds dates, and the time column times of day"
        lines.append(Line("time", "date", json.dumps(apart[0]), 0.9, why))
    lines += when
    units = propose_units(
        {q: [Column(c, values[c], k) for k, c in picked[q].items()] for q in picked},
        raw.units,
        seconds_of(head, time) if long is None and time is not None else None,
        keys,
        list(_limits(readings, values)),
    )
    for quantity in JOINT_KEYS:
        if quantity not in chosen:
            continue
        g, columns = chosen[quantity], list(picked[quantity].values())
        name = f"joint.{quantity}"
        read[name] = tuple(columns)
        shown = three_of(table[columns[0]])
        line = _column_line(g, groups, keys, by_number)
        if quantity in doubts:
            line = replace(line, confidence=min(line.confidence, doubts[quantity].confidence))
            line = replace(line, why=f"{line.why} {doubts[quantity].why}".strip())
        lines.append(replace(line, samples=shown, otherwise=_OTHERWISE["column"]))
        if quantity in units:
            u = units[quantity]
            several = u.value.startswith("[")
            lines.append(
                Line(
                    name,
                    "unit",
                    u.value if several else json.dumps(u.value),
                    u.confidence,
                    u.why,
                    shown,
                    _OTHERWISE.get(JOINT_KEYS[quantity][1], ""),
                )
            )
        elif not JOINT_KEYS[quantity][1]:
            motion = [values[c] for c in (picked.get("rate") or picked.get("angle") or {}).values()]
            words = _words_line(quantity, [table[c] for c in columns], motion, "rate" in picked)
            lines.append(replace(words, samples=shown, otherwise=_OTHERWISE["words"]))
    taken = {c for columns in picked.values() for c in columns.values()}
    for key, own, column in _session_lines(readings, taken, table, raw):
        lines += own
        read[f"session.{key}"] = (column,)
    if raw.headless:
        told.append(
            "no line names the columns: they are called by place, here with their first values: "
            + "; ".join(f"{c} = {', '.join(three_of(table[c]))}" for c in list(table)[:40])
        )
    return Proposal(
        source,
        tuple(lines),
        missing=tuple(_missing(chosen)),
        said=tuple(told),
        columns=read,
        shown={c: three_of(table[c]) for c in present},
        present=present,
    )


_OTHERWISE = {
    "column": "another column whose name says the same and whose samples fit better",
    "words": "motion while it says engaged",
    "angle": "a value beyond two turns in radians, a jump by one whole turn, an encoder's step, "
    "or a setting that is round in the other unit",
    "rate": "a slope of the angle that stands otherwise to it, or a stated rate limit",
    "current": "a rated current, or a column beside it that states its unit",
    "temperature": "a room's temperature at the start that this unit makes impossible",
    "torque": "a rated torque, or a weight held at a known arm",
}
"""What would change a line's mind, by what it measures."""


def three_of(column: pl.Series) -> tuple[str, ...]:
    """Return three values of a column as they stand in the log: first, middle and last."""
    filled = column.drop_nulls()
    places = sorted({0, len(filled) // 2, max(len(filled) - 1, 0)})
    return tuple(str(filled[k])[:24] for k in places if k < len(filled))


def _limits(
    readings: Sequence[Reading], values: Mapping[str, Floats]
) -> Iterator[tuple[str, float, str]]:
    """Find columns that state a limit of the rate with its unit, and keep to one value."""
    for r in readings:
        if r.unit not in ("deg/s", "rad/s") or not LIMIT_WORDS & {p.word for p in pieces(r.name)}:
            continue
        good = values[r.name][np.isfinite(values[r.name])]
        if len(good) and good[0] > 0 and (good == good[0]).all():
            yield r.name, float(good[0]), r.unit


def _empty(column: pl.Series) -> bool:
    return column.null_count() == len(column)


def _missing(chosen: Mapping[str, Group]) -> list[str]:
    lacking = []
    if "current" not in chosen:
        other = [q.replace("_", " ") for q in ("torque", "target_current") if q in chosen]
        lacking.append(
            "no column looks like a motor current"
            + (f" (there is a {' and a '.join(other)}, which is not one)" if other else "")
        )
    if "angle" not in chosen and "rate" not in chosen:
        lacking.append("no column looks like a joint's angle or rate")
    return lacking


def _log_lines(
    long: bool,
    keys: Sequence[str],
    by_number: bool,
    chosen: Mapping[str, Group],
    picked: Mapping[str, Mapping[str, str]],
) -> list[Line]:
    lines = [Line("log", "layout", json.dumps("long" if long else "wide"), 0.95, "")]
    if not keys:
        return [*lines, Line("log", "joints", "1", 0.0, "no joints were found")]
    agree = sum(set(keys) <= set(columns) for columns in picked.values()) / max(len(chosen), 1)
    sure, said = 0.7 + 0.25 * agree, ""
    needed = [q for q in ("angle", "rate", "current") if q in chosen]
    sets = {q: set(chosen[q].members) | set(picked[q]) for q in needed}
    uneven = [q for q, s in sets.items() if s - set(keys) or set(keys) - s]
    if by_number and uneven:
        spans = "; ".join(f"{q} {_span(s)}" for q, s in sets.items())
        sure, said = 0.3, f"numbers do not match: {spans}: which belongs to which joint?"
    if by_number and [int(k) for k in keys] == list(range(int(keys[0]), int(keys[0]) + len(keys))):
        why = said or f"numbers {keys[0]} to {keys[-1]}"
        lines.append(Line("log", "joints", str(len(keys)), sure, why))
        lines.append(Line("log", "first_number", keys[0], max(sure, 0.6), "the lowest number"))
    else:
        names = [f"J{k}" if by_number else k.replace(".", "_") for k in keys]
        why = said or "in the order of the columns"
        if by_number and not said:
            holes = sorted(set(range(int(keys[0]), int(keys[-1]))) - {int(k) for k in keys})
            sure = min(sure, 0.65)
            why = f"numbers with holes: no {', '.join(map(str, holes[:5]))}"
        lines.append(Line("log", "joints", json.dumps(names, ensure_ascii=False), sure, why))
    nearest = f"number {keys[0]}" if by_number else "the first joint"
    why = f"assumed: {nearest} is the joint nearest end A"
    lines.append(Line("log", "numbering", '"A"', 0.5, why))
    return lines


def _span(keys: set[str]) -> str:
    numbers = sorted(int(k) for k in keys)
    whole = numbers == list(range(numbers[0], numbers[-1] + 1))
    return f"{numbers[0]} to {numbers[-1]}" if whole else ", ".join(map(str, numbers))


def _column_line(g: Group, groups: Sequence[Group], keys: Sequence[str], by_number: bool) -> Line:
    found = columns_of(g, groups, keys)
    cover = len(found) / max(len(keys), 1)
    patterns = [g.pattern]
    for k, name in found.items():
        if k not in g.members and by_number:
            patterns += [o.pattern for o in groups if o.members.get(k) == name and o.by_number]
    plain = all(
        name in {p.replace("{n}", k).replace("{name}", k) for p in patterns}
        for k, name in found.items()
    ) and not any("." in k for k in keys)
    holes = by_number and [int(k) for k in keys] != list(
        range(int(keys[0]), int(keys[0]) + len(keys))
    )
    confidence = min(g.score, 0.98) * (0.6 + 0.4 * cover)
    why = "" if cover == 1.0 else f"only {len(found)} of {len(keys)} joints have it"
    others = [name for k, name in found.items() if k not in g.members]
    if others:
        why = f"{why}; {', '.join(map(repr, others[:3]))} is named otherwise".strip("; ")
    table = f"joint.{g.quantity}"
    if cover == 1.0 and plain and not holes:
        several = list(dict.fromkeys(patterns))
        text = json.dumps(several[0] if len(several) == 1 else several, ensure_ascii=False)
        return Line(table, "column", text, confidence, why)
    listed = [found.get(k, "") for k in keys]
    return Line(table, "columns", json.dumps(listed, ensure_ascii=False), confidence, why)


def _words_line(
    quantity: str, columns: Sequence[pl.Series], motion: Sequence[Floats], is_rate: bool
) -> Line:
    moving: list[Floats | None] = []
    for k, column in enumerate(columns):
        if k >= len(motion) or len(motion[k]) != len(column):
            moving.append(None)
        elif is_rate:
            moving.append(np.abs(motion[k]))
        else:
            moving.append(np.abs(np.diff(motion[k], prepend=motion[k][:1])))
    words, confidence, why = guesses.brake_words(columns, moving)
    text = ", ".join(
        f"{json.dumps(w, ensure_ascii=False)} = {json.dumps(m)}" for w, m in words.items()
    )
    return Line(f"joint.{quantity}", "words", f"{{ {text} }}", confidence, why)


def _session_lines(
    readings: Sequence[Reading], taken: set[str], table: Mapping[str, pl.Series], raw: RawLog
) -> Iterator[tuple[str, list[Line], str]]:
    for key in ("payload", "base_end", "phase", "person_on_tip"):
        rivals = [
            r
            for r in readings
            if r.quantity == key and r.name not in taken and r.score >= 0.4 and not r.numbers
        ]
        for r in sorted(rivals, key=lambda r: -r.score):
            confidence, unit = _session_fit(key, r, table[r.name], raw)
            if confidence <= 0.0:
                continue
            column = json.dumps(r.name, ensure_ascii=False)
            shown = three_of(table[r.name])
            sure = min(r.score, confidence)
            lines = [Line(f"session.{key}", "column", column, sure, "", shown)]
            if unit is not None:
                u = unit
                lines.append(
                    Line(f"session.{key}", "unit", json.dumps(u.value), u.confidence, u.why, shown)
                )
            yield key, lines, r.name
            break


def _session_fit(
    key: str, r: Reading, column: pl.Series, raw: RawLog
) -> tuple[float, Guess | None]:
    said = {str(w).strip().lower() for w in column.drop_nulls().unique().head(200)}
    if key == "payload":
        if not np.isfinite(guesses.numbers(column, raw.decimal_comma)).any():
            return 0.0, None
        stated = scales.find(raw.units.get(r.name, "?"))
        if r.unit is not None and scales.SCALES[r.unit].measures == "mass":
            return 0.95, Guess(r.unit, 0.97, "the name says so")
        if stated is not None and stated.measures == "mass":
            return 0.95, Guess(stated.unit, 0.97, "the unit row says so")
        return 0.8, Guess("kg", 0.5, "assumed")
    if key == "phase":
        words = [w for w in said if not w.replace(".", "").lstrip("-").isdigit()]
        codes = 0.5 if said and not words else 0.8  # numbers may be any state of a controller
        return (codes if 1 <= len(said) <= 60 and column.dtype == pl.String else 0.0), None
    known = set(dictionary(key, {}) or {})
    return (0.9 if said and said <= known else 0.0), None


def _long_columns(raw: RawLog) -> tuple[str, str, str] | None:
    """Return the time, channel and value columns of a long table, or None."""
    if not 3 <= len(raw.columns) <= _LONG_COLUMNS:
        return None
    head = raw.sample.head(max(raw.head, 1))
    time = time_column(head)
    if time is None:
        return None
    best: tuple[int, str] | None = None
    for name in raw.columns:
        column = raw.sample[name]
        if name == time or column.dtype != pl.String:
            continue
        words = column.drop_nulls().unique()
        plain = words.cast(pl.Float64, strict=False).is_not_null().sum()
        if not 2 <= len(words) <= _LONG_WORDS or plain or len(words) * 3 > len(column):
            continue
        known = sum(read_name(w).quantity is not None for w in words)
        if known >= 2 and (best is None or known > best[0]):
            best = (known, name)
    if best is None:
        return None
    rest = [c for c in raw.columns if c not in (time, best[1])]
    rated = [
        (float(np.isfinite(guesses.numbers(raw.sample[c], raw.decimal_comma)).mean()), c)
        for c in rest
    ]
    score, value = max(rated, key=lambda s: (s[0], "val" in s[1].lower()))
    return (time, best[1], value) if score > 0.3 else None
