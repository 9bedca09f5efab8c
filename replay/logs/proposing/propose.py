"""Propose a log map for a log that nobody described, line by line.

Names come first, unit rows second, values last; every line carries how sure
it is and why.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import polars as pl

from replay.logs import scales
from replay.logs.maps import JOINT_KEYS
from replay.logs.proposing import guesses
from replay.logs.proposing.groups import Group, choose, columns_of, group
from replay.logs.proposing.guesses import Floats, Guess
from replay.logs.proposing.names import Reading, read_name, time_score
from replay.logs.proposing.proposal import Line, Proposal
from replay.logs.readers.open_log import open_log
from replay.logs.readers.raw import RawLog
from replay.logs.times.patterns import is_pattern, read_pattern
from replay.logs.words import dictionary

_LONG_COLUMNS = 5
_LONG_WORDS = 2000


def propose_map(path: str | Path) -> Proposal:
    """Look at a log's names and values and propose a map.

    Raises
    ------
    LogRefused
        When the file is no table at all.
    """
    with tempfile.TemporaryDirectory(prefix="jointbook-") as scratch:
        return propose(open_log(Path(path), Path(scratch)))


def propose(raw: RawLog) -> Proposal:
    """Propose a map for an opened log; see `propose_map`."""
    left_out = [a.detail for a in raw.set_aside if a.kind != "unit-row"]  # its lines say so
    proposal = Proposal(str(raw.path), said=left_out)
    table: Mapping[str, pl.Series] = {c: raw.sample[c] for c in raw.columns}
    head = raw.sample.head(max(raw.head, 1))
    long = _long_columns(raw)
    time = _time_column(head) if long is None else long[0]
    if long is not None:
        word, value = long[1:]
        table = {
            str(k[0]): g[value]
            for k, g in raw.sample.group_by([word], maintain_order=True)
            if k[0] is not None
        }
    names = [c for c in table if c != time]
    readings = [read_name(n) for n in names]
    groups = group(readings)
    chosen, keys, by_number = choose(groups)
    proposal.lines += _log_lines(long is not None, keys, by_number, chosen)
    if long is not None:
        proposal.lines += [
            Line("long", k, json.dumps(c), 0.9, "few columns, one of them words that repeat")
            for k, c in zip(("time", "channel", "value"), long, strict=True)
        ]
    proposal.lines += _time_lines(raw, head, time)
    values = {
        q: [guesses.numbers(table[c], raw.decimal_comma) for c in _columns(g, groups, keys)]
        for q, g in chosen.items()
        if JOINT_KEYS[q][1]
    }
    units = _units(raw, chosen, groups, keys, values, head, time if long is None else None)
    for quantity in JOINT_KEYS:
        if quantity not in chosen:
            continue
        g = chosen[quantity]
        proposal.lines.append(_column_line(g, groups, keys, by_number))
        if quantity in units:
            u = units[quantity]
            proposal.lines.append(
                Line(f"joint.{quantity}", "unit", json.dumps(u.value), u.confidence, u.why)
            )
        elif not JOINT_KEYS[quantity][1]:
            proposal.lines.append(_words_line(g, groups, keys, table, values))
    taken = {c for g in chosen.values() for c in columns_of(g, groups, keys).values()}
    proposal.lines += _session_lines(readings, taken, table, raw)
    if "current" not in chosen:
        proposal.missing.append("no column looks like a motor current")
    if "angle" not in chosen and "rate" not in chosen:
        proposal.missing.append("no column looks like a joint's angle or rate")
    return proposal


def _columns(g: Group, groups: Sequence[Group], keys: Sequence[str]) -> list[str]:
    return list(columns_of(g, groups, keys).values())


def _log_lines(
    long: bool, keys: Sequence[str], by_number: bool, chosen: Mapping[str, Group]
) -> list[Line]:
    lines = [Line("log", "layout", json.dumps("long" if long else "wide"), 0.95, "")]
    if not keys:
        return [*lines, Line("log", "joints", "1", 0.0, "no joints were found")]
    agree = sum(set(keys) <= set(g.members) for g in chosen.values()) / max(len(chosen), 1)
    sure = 0.7 + 0.25 * agree
    if by_number and [int(k) for k in keys] == list(range(int(keys[0]), int(keys[0]) + len(keys))):
        lines.append(
            Line("log", "joints", str(len(keys)), sure, f"numbers {keys[0]} to {keys[-1]}")
        )
        lines.append(Line("log", "first_number", keys[0], sure, "the lowest number"))
    else:
        names = [f"J{k}" if by_number else k.replace(".", "_") for k in keys]
        why = "in the order of the columns" if not by_number else "numbers with holes"
        lines.append(Line("log", "joints", json.dumps(names, ensure_ascii=False), sure, why))
    lines.append(
        Line("log", "numbering", '"A"', 0.5, "assumed: number 1 is the joint nearest end A")
    )
    return lines


def _time_column(head: pl.DataFrame) -> str | None:
    best: tuple[float, str] | None = None
    for name in head.columns:
        named = time_score(name)
        guess = guesses.time_guess(head[name])
        if guess is None or (named < 0.5 and guess.confidence < 0.9):
            continue
        spoken = read_name(name)
        if guess.confidence < 0.9 and spoken.score > 0.8 and spoken.numbers:
            continue  # a joint's quantity that happens to rise
        value = named + guess.confidence
        if best is None or value > best[0]:
            best = (value, name)
    return None if best is None else best[1]


def _time_lines(raw: RawLog, head: pl.DataFrame, time: str | None) -> list[Line]:
    if time is None:
        named = next((n for n in head.columns if time_score(n) >= 0.5), None)
        none = (
            "no time column" if named is None else f"column {named!r} reads as no time known here"
        )
        return [
            Line("time", "rows_at_hz", "1.0", 0.0, f"{none}: state the rate"),
            Line("time", "start", '"1970-01-01T00:00:00Z"', 0.0, f"{none}: state the start"),
        ]
    guess = guesses.time_guess(head[time]) or Guess("iso8601", 0.1, "its values are no times")
    lines = [
        Line("time", "column", json.dumps(time), min(0.5 + 0.5 * guess.confidence, 0.98), ""),
        Line("time", "format", json.dumps(guess.value), guess.confidence, guess.why),
    ]
    if guess.value == "seconds":
        lines.append(Line("time", "start", '"1970-01-01T00:00:00Z"', 0.0, "state the true start"))
    lines.append(Line("time", "scale", '"UTC"', 0.7, "assumed: nothing says TAI or GPS"))
    return lines


def _units(
    raw: RawLog,
    chosen: Mapping[str, Group],
    groups: Sequence[Group],
    keys: Sequence[str],
    values: Mapping[str, list[Floats]],
    head: pl.DataFrame,
    time: str | None,
) -> dict[str, Guess]:
    by_value = {
        "angle": guesses.angle_unit,
        "rate": guesses.rate_unit,
        "commanded_rate": guesses.rate_unit,
        "current": guesses.current_unit,
        "temperature": guesses.temperature_unit,
    }
    found = {
        q: _stated_unit(raw, chosen[q], groups, keys) or by_value[q](columns)
        for q, columns in values.items()
    }
    if len({k.lower() for k in keys} & {"x", "y", "z"}) >= 2:
        for q in found.keys() & {"angle", "rate", "commanded_rate"}:
            if found[q].confidence < 0.9:
                unit = "mm" if q == "angle" else "mm/s"
                found[q] = Guess(unit, 0.5, "axes named X, Y, Z move in a line")
    if "angle" in found and "rate" in found and time is not None:
        seconds = _seconds(head[time])
        n = len(seconds)
        pair = guesses.by_derivative(
            [v[:n] for v in values["angle"]],
            [v[:n] for v in values["rate"]],
            seconds,
            found["angle"],
            found["rate"],
        )
        found["angle"], found["rate"] = pair
    if "commanded_rate" in found and found.get("rate") is not None:
        c, r = found["commanded_rate"], found["rate"]
        near = guesses.size(values["commanded_rate"]) / max(guesses.size(values["rate"]), 1e-9)
        if c.confidence < r.confidence and 0.3 < near < 3.0:
            found["commanded_rate"] = Guess(r.value, r.confidence - 0.05, "as large as the rate")
    return found


def _stated_unit(
    raw: RawLog, g: Group, groups: Sequence[Group], keys: Sequence[str]
) -> Guess | None:
    measures = JOINT_KEYS[g.quantity][1]
    if len(g.units) == 1:
        unit = next(iter(g.units))
        if scales.SCALES[unit].measures == measures:
            return Guess(unit, 0.97, "the name says so")
    stated = {
        s.unit
        for c in _columns(g, groups, keys)
        if (s := scales.find(raw.units.get(c, "?"))) is not None and s.measures == measures
    }
    return Guess(stated.pop(), 0.97, "the unit row says so") if len(stated) == 1 else None


def _seconds(column: pl.Series) -> Floats:
    if isinstance(column.dtype, pl.Datetime):
        ns = column.cast(pl.Datetime("ns")).cast(pl.Int64).cast(pl.Float64)
        return ns.fill_null(np.nan).to_numpy() / 1e9
    guess = guesses.time_guess(column)
    if guess is not None and guess.value == "iso8601":
        text = column.cast(pl.String).str.strip_chars(" \"'").str.replace(" ", "T", literal=True)
        text = text.str.replace(r"(Z|[+-]\d{2}:?\d{2})$", "").str.replace("/", "-", literal=True)
        parsed = text.str.strptime(pl.Datetime("ns"), "%Y-%m-%dT%H:%M:%S%.f", strict=False)
        return parsed.cast(pl.Int64).cast(pl.Float64).fill_null(np.nan).to_numpy() / 1e9
    if guess is not None and is_pattern(guess.value):
        read = read_pattern(column.cast(pl.String), guess.value)
        return read.cast(pl.Float64).fill_null(np.nan).to_numpy() / 1e9
    factor = {"epoch-ms": 1e-3, "epoch-us": 1e-6, "epoch-ns": 1e-9}
    values = guesses.numbers(column, decimal_comma=False)
    return values * factor.get(guess.value if guess else "", 1.0)


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
    confidence = min(g.score, 0.98) * (0.6 + 0.4 * cover)
    why = "" if cover == 1.0 else f"only {len(found)} of {len(keys)} joints have it"
    table = f"joint.{g.quantity}"
    if cover == 1.0 and plain:
        several = list(dict.fromkeys(patterns))
        text = json.dumps(several[0] if len(several) == 1 else several, ensure_ascii=False)
        return Line(table, "column", text, confidence, why)
    listed = [found.get(k, "") for k in keys]
    return Line(table, "columns", json.dumps(listed, ensure_ascii=False), confidence, why)


def _words_line(
    g: Group,
    groups: Sequence[Group],
    keys: Sequence[str],
    table: Mapping[str, pl.Series],
    values: Mapping[str, list[Floats]],
) -> Line:
    columns = [table[c] for c in _columns(g, groups, keys)]
    moving: list[Floats | None] = []
    source = values.get("rate") or values.get("angle") or []
    for k, column in enumerate(columns):
        if k >= len(source) or len(source[k]) != len(column):
            moving.append(None)
        elif "rate" in values:
            moving.append(np.abs(source[k]))
        else:
            moving.append(np.abs(np.diff(source[k], prepend=source[k][:1])))
    words, confidence, why = guesses.brake_words(columns, moving)
    text = ", ".join(
        f"{json.dumps(w, ensure_ascii=False)} = {json.dumps(m)}" for w, m in words.items()
    )
    return Line(f"joint.{g.quantity}", "words", f"{{ {text} }}", confidence, why)


def _session_lines(
    readings: Sequence[Reading], taken: set[str], table: Mapping[str, pl.Series], raw: RawLog
) -> list[Line]:
    lines: list[Line] = []
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
            lines.append(Line(f"session.{key}", "column", column, min(r.score, confidence), ""))
            if unit is not None:
                u = unit
                lines.append(
                    Line(f"session.{key}", "unit", json.dumps(u.value), u.confidence, u.why)
                )
            break
    return lines


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
        return (0.8 if 1 <= len(said) <= 60 and column.dtype == pl.String else 0.0), None
    known = set(dictionary(key, {}) or {})
    return (0.9 if said and said <= known else 0.0), None


def _long_columns(raw: RawLog) -> tuple[str, str, str] | None:
    """Return the time, channel and value columns of a long table, or None."""
    if not 3 <= len(raw.columns) <= _LONG_COLUMNS:
        return None
    head = raw.sample.head(max(raw.head, 1))
    time = _time_column(head)
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
