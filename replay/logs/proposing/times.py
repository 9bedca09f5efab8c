"""Which column tells time, in which form, and when the log began."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl

from replay.logs.proposing import guesses
from replay.logs.proposing.guesses import Floats, Guess
from replay.logs.proposing.names import read_name, time_score
from replay.logs.proposing.proposal import Line
from replay.logs.times.patterns import is_pattern, read_pattern
from replay.logs.times.start_names import NAME_FORMS, start_in
from replay.logs.times.timeforms import SINCE_START

_SECOND_WORD = r"(secs?|seconds?|s)$"
_BELOW_WORD = r"(nano_?secs?|nano_?seconds?|nsecs?|nanos|ns)"
_DATE = r"^(\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{2,4})$"
_TIME_OF_DAY = r"^\d{1,2}:\d{2}:\d{2}([.,]\d+)?$"
_UNSTATED = '"1970-01-01T00:00:00Z"'


def time_column(head: pl.DataFrame) -> str | None:
    """Return the column that is most likely the log's time, or None."""
    best: tuple[float, str] | None = None
    for name in head.columns:
        named = time_score(name)
        guess = guesses.time_guess(head[name], name)
        if guess is None or (named < 0.5 and guess.confidence < 0.9):
            continue
        spoken = read_name(name)
        if guess.confidence < 0.9 and spoken.score > 0.8 and spoken.numbers:
            continue  # a joint's quantity that happens to rise
        value = named + guess.confidence
        if best is None or value > best[0]:
            best = (value, name)
    return None if best is None else best[1]


def nanosecond_column(head: pl.DataFrame, time: str | None) -> str | None:
    """Return the column with the nanoseconds beside one of whole seconds, or None."""
    if time is None or not re.search(_SECOND_WORD, time, re.I):
        return None
    before = time[: re.search(_SECOND_WORD, time, re.I).start()]  # type: ignore[union-attr]
    for name in head.columns:
        if name.startswith(before) and re.fullmatch(_BELOW_WORD, name[len(before) :], re.I):
            values = guesses.numbers(head[name], decimal_comma=False)
            good = values[np.isfinite(values)]
            if len(good) and good.min() >= 0 and good.max() < 1e9 and good.max() > 1e6:
                return name
    return None


def date_and_time(head: pl.DataFrame) -> tuple[str, str] | None:
    """Return a column of dates and one of times of day, where a log has the two apart."""
    dates = [n for n in head.columns if _most(head[n], _DATE)]
    times = [n for n in head.columns if _most(head[n], _TIME_OF_DAY)]
    return (dates[0], times[0]) if len(dates) == 1 and len(times) == 1 else None


def _most(column: pl.Series, pattern: str) -> bool:
    if column.dtype not in (pl.String, pl.Date, pl.Time):
        return False
    text = column.drop_nulls().cast(pl.String).str.strip_chars(" \"'")
    share = text.str.contains(pattern).mean() if len(text) else None
    return isinstance(share, float) and share > 0.95


def time_lines(head: pl.DataFrame, time: str | None, path: Path) -> list[Line]:
    """Return the lines of the map's ``time`` table."""
    if time is None:
        named = next((n for n in head.columns if time_score(n) >= 0.5), None)
        none = (
            "no time column" if named is None else f"column {named!r} reads as no time known here"
        )
        return [
            Line("time", "rows_at_hz", "1.0", 0.0, f"{none}: state the rate"),
            Line("time", "start", _UNSTATED, 0.0, f"{none}: state the start"),
        ]
    guess = guesses.time_guess(head[time], time) or Guess("iso8601", 0.1, "its values are no times")
    filled = head[time].drop_nulls()
    shown = tuple(str(filled[k]) for k in sorted({0, len(filled) // 2, len(filled) - 1}) if k >= 0)
    lines = [
        Line("time", "column", json.dumps(time), min(0.5 + 0.5 * guess.confidence, 0.98), ""),
        Line(
            "time", "format", json.dumps(guess.value), guess.confidence, guess.why, shown,
            "an instant that this form makes impossible, or a rate that no recorder has",
        ),
    ]  # fmt: skip
    below = nanosecond_column(head, time)
    if below is not None:
        why = "it stands beside the seconds and stays below a second"
        lines.append(Line("time", "nanosecond", json.dumps(below), 0.9, why))
    if guess.value in SINCE_START:
        lines += _start_lines(head, time, path)
    lines.append(Line("time", "scale", '"UTC"', 0.7, "assumed: nothing says TAI or GPS"))
    return lines


def _start_lines(head: pl.DataFrame, time: str, path: Path) -> list[Line]:
    """Find when the log began: another column's date, the file's name, its folder's name."""
    seconds = time_seconds(head[time], time)
    for name in head.columns:
        guess = None if name == time else guesses.time_guess(head[name], name)
        if guess is None or guess.confidence < 0.9 or guess.value in SINCE_START:
            continue
        instants = time_seconds(head[name], name)
        lag = instants - seconds
        good = np.isfinite(lag)
        if not good.any() or float(np.ptp(lag[good])) > 2.0:
            continue
        began = datetime.fromtimestamp(float(np.median(lag[good])), UTC)
        text = began.isoformat(timespec="milliseconds").replace("+00:00", "Z")
        why = f"column {name!r} dates the rows; its zone is not stated, taken as UTC"
        return [Line("time", "start", json.dumps(text), 0.7, why)]
    for where, words in (("name", path.name), ("folder", path.parent.name)):
        for form in NAME_FORMS:
            if start_in(words, form) is not None:
                why = f"{words!r} holds a date and time; its zone is not stated, taken as UTC"
                return [
                    Line("time", "start_from", json.dumps(where), 0.7, why),
                    Line("time", "start_format", json.dumps(form), 0.7, ""),
                ]
    return [Line("time", "start", _UNSTATED, 0.0, "state the true start")]


def seconds_of(head: pl.DataFrame, time: str) -> Floats:
    """Return the log's own times as seconds, from one column or two."""
    below = nanosecond_column(head, time)
    seconds = time_seconds(head[time], time)
    if below is None:
        return seconds
    return seconds + guesses.numbers(head[below], decimal_comma=False) / 1e9


def time_seconds(column: pl.Series, name: str = "") -> Floats:
    """Return a time column as seconds, for slopes; NaN where it cannot be read."""
    if isinstance(column.dtype, pl.Datetime):
        ns = column.cast(pl.Datetime("ns")).cast(pl.Int64).cast(pl.Float64)
        return ns.fill_null(np.nan).to_numpy() / 1e9
    guess = guesses.time_guess(column, name)
    if guess is not None and guess.value == "iso8601":
        text = column.cast(pl.String).str.strip_chars(" \"'").str.replace(r"[ _]", "T")
        text = text.str.replace(r"(Z|[+-]\d{2}:?\d{2})$", "").str.replace_all("/", "-")
        parsed = text.str.strptime(pl.Datetime("ns"), "%Y-%m-%dT%H:%M:%S%.f", strict=False)
        return parsed.cast(pl.Int64).cast(pl.Float64).fill_null(np.nan).to_numpy() / 1e9
    if guess is not None and is_pattern(guess.value):
        read = read_pattern(column.cast(pl.String), guess.value)
        return read.cast(pl.Float64).fill_null(np.nan).to_numpy() / 1e9
    factor = {
        "epoch-ms": 1e-3, "epoch-us": 1e-6, "epoch-ns": 1e-9, "milliseconds": 1e-3,
        "microseconds": 1e-6, "nanoseconds": 1e-9, "serial-days": 86_400.0,
    }  # fmt: skip
    comma = column.dtype == pl.String and bool(column.str.contains(",").any())
    values = guesses.numbers(column, decimal_comma=comma)
    return values * factor.get(guess.value if guess else "", 1.0)
