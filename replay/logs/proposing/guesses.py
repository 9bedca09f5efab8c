"""What a column's values say, where its name does not: units, words, time.

Each guess comes with how sure it is and why. A unit told by its range of
values alone is never more than a guess; the derivative of an angle held
against a rate is a test.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.logs.times.patterns import guess_pattern

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Guess:
    """A value for a key of the map, how sure it is (0 to 1), and why."""

    value: str
    confidence: float
    why: str


def numbers(column: pl.Series, decimal_comma: bool) -> Floats:
    """Return a column as numbers; NaN where it is none, or a wild value."""
    if column.dtype == pl.String:
        text = column.str.strip_chars(" \"'")
        if decimal_comma:
            text = text.str.replace(",", ".", literal=True)
        column = text.cast(pl.Float64, strict=False)
    if not (column.dtype.is_numeric() or column.dtype == pl.Boolean):
        return np.full(len(column), np.nan)
    values = column.cast(pl.Float64).fill_null(np.nan).to_numpy().copy()
    values[np.isin(np.abs(values), (9999.0, 99999.0, 999999.0)) | (np.abs(values) > 1e30)] = np.nan
    return values


def size(columns: Sequence[Floats]) -> float:
    """Return how large the values get, leaving out one in a thousand."""
    joined = np.concatenate([np.abs(c[np.isfinite(c)]) for c in columns] or [np.zeros(0)])
    return float(np.quantile(joined, 0.999)) if len(joined) else 0.0


def current_unit(columns: Sequence[Floats]) -> Guess:
    """Guess A or mA by size, and by whether there are only whole numbers."""
    top = size(columns)
    joined = np.concatenate([c[np.isfinite(c)] for c in columns] or [np.zeros(0)])
    whole = bool(len(joined)) and bool(np.all(joined == np.round(joined)))
    if top == 0.0:
        return Guess("A", 0.3, "there is no current in it")
    if top > 150.0:
        return Guess("mA", 0.65, f"values reach {top:.3g} mA: as A too large for a joint")
    if whole and top > 8.0:
        return Guess("mA", 0.45, f"whole numbers up to {top:.3g}: milliamperes, or a share")
    if top > 20.0:
        return Guess("A", 0.5, f"values reach {top:.3g} A, or that many mA or per cent")
    return Guess("A", 0.7, f"values reach {top:.3g} A")


def temperature_unit(columns: Sequence[Floats]) -> Guess:
    """Guess degC, K or degF by size."""
    joined = np.concatenate([c[np.isfinite(c)] for c in columns] or [np.zeros(0)])
    middle = float(np.median(joined)) if len(joined) else 0.0
    if 200.0 <= middle <= 420.0:
        return Guess("K", 0.85, f"values lie about {middle:.3g} K")
    if middle > 60.0:
        return Guess("degF", 0.5, f"values lie about {middle:.3g} degF: as degC a hot joint")
    return Guess("degC", 0.75, f"values lie about {middle:.3g} degC")


_ENGAGED = ("eng", "appl", "lock", "set", "hold", "clos", "clamp", "on brake", "stop", "fechad")
_RELEASED = ("rel", "open", "free", "unlock", "lift", "unclamp", "aberto", "aberta")
"""What words for either begin with. Portuguese ``aberto`` is open; ``aperto``, which is open in
Italian and tightening in Portuguese, is not among them."""


LEAST_TOLD = 0.2
"""Share of a word's rows beside which motion must be known for it to tell what the word means."""


def brake_words(
    columns: Sequence[pl.Series], moving: Sequence[Floats | None]
) -> tuple[dict[str, str], float, str]:
    """Guess what brake words mean: by the word, and by whether the joint moves.

    ``moving`` holds the size of each joint's rate beside its words, or None.
    """
    columns = [_as_words(c) for c in columns]
    words = sorted({w for c in columns for w in c.drop_nulls().unique()} - {""})
    if not words or len(words) > 12:
        return {}, 0.0, "no words, or too many"
    meaning: dict[str, str] = {}
    for word in words:
        low = word.lower()
        if low.startswith(_RELEASED):
            meaning[word] = "released"
        elif low.startswith(_ENGAGED):
            meaning[word] = "engaged"
    speed = _speed_by_word(columns, moving, words)
    if len(set(meaning.values())) == 2 or (meaning and len(meaning) == len(words)):
        against = _moves_while_engaged(meaning, speed)
        if against:
            return meaning, 0.5, f"the words say so, but joints move while it says {against}"
        return meaning, 0.9, "the words say so"
    if len(speed) >= 2:
        slow, fast = min(speed, key=speed.__getitem__), max(speed, key=speed.__getitem__)
        if speed[fast] > 5.0 * speed[slow] + 1e-9:
            return (
                {slow: "engaged", fast: "released"},
                0.8,
                f"joints move while it says {fast} and rest while it says {slow}",
            )
    plain = {"1": "engaged", "0": "released", "true": "engaged", "false": "released"}
    known = {w: plain[w.lower()] for w in words if w.lower() in plain}
    if known:
        return known, 0.5, "1 is taken for engaged; nothing in the data shows it"
    return {}, 0.1, "the words " + ", ".join(words[:5]) + " say nothing sure"


def _moves_while_engaged(meaning: Mapping[str, str], speed: Mapping[str, float]) -> str | None:
    """Return a word for engaged during which joints move, and do not while it says released."""
    held = {w: v for w, v in speed.items() if meaning.get(w) == "engaged"}
    free = {w: v for w, v in speed.items() if meaning.get(w) == "released"}
    if not held or not free:
        return None
    word = max(held, key=held.__getitem__)
    return word if held[word] > 5.0 * max(free.values()) + 1e-9 else None


def _as_words(column: pl.Series) -> pl.Series:
    """Return the cells as words; whole numbers without a point, as they are read later."""
    return column.cast(pl.String).str.strip_chars().str.replace(r"^(-?\d+)\.0+$", "$1")


def _speed_by_word(
    columns: Sequence[pl.Series], moving: Sequence[Floats | None], words: Sequence[str]
) -> dict[str, float]:
    """Return the mean size of motion beside each word, where enough of its rows tell of one.

    A recorder that writes an angle only when it changes says nothing at rest: the few rows that
    do are those that moved.
    """
    sums = dict.fromkeys(words, 0.0)
    counts = dict.fromkeys(words, 0)
    rows = dict.fromkeys(words, 0)
    for column, rate in zip(columns, moving, strict=False):
        if rate is None:
            continue
        for word in words:
            said = (column == word).fill_null(False).to_numpy()
            mask = said & np.isfinite(rate)
            rows[word] += int(said.sum())
            sums[word] += float(rate[mask].sum())
            counts[word] += int(mask.sum())
    told = [w for w in words if counts[w] >= max(5.0, LEAST_TOLD * rows[w])]
    return {w: sums[w] / counts[w] for w in told}


def time_guess(column: pl.Series, name: str = "") -> Guess | None:
    """Guess a time column's format by its values; None when it is no time."""
    if isinstance(column.dtype, pl.Datetime):
        return Guess("iso8601", 0.98, "the column holds instants")
    if column.dtype == pl.Boolean:
        return None
    present = column.drop_nulls()
    if len(present) < 2:
        return None
    if present.dtype == pl.String:
        text = present.str.strip_chars(" \"'")
        iso = text.str.contains(r"^\d{4}[-/]\d{1,2}[-/]\d{1,2}[T _]\d{1,2}:\d{2}").mean()
        if float(iso or 0.0) > 0.95:  # type: ignore[arg-type]
            return Guess("iso8601", 0.97, "it reads as dates and times")
        ordinal = text.str.contains(r"^(\d{4}[-:/ ]?)?\d{3}[T:/ -]\d{2}:\d{2}:\d{2}").mean()
        if float(ordinal or 0.0) > 0.95:  # type: ignore[arg-type]
            return Guess("day-of-year", 0.9, "it reads as day of year and time")
        colons = text.str.contains(r"^\d{4}(:\d{1,2}){5}(\.\d+)?$").mean()
        if float(colons or 0.0) > 0.95:  # type: ignore[arg-type]
            return Guess("%Y:%m:%d:%H:%M:%S", 0.95, "year to second, parted by colons")
        written = guess_pattern(text)
        if written is not None:
            return Guess(*written)
        present = text.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
        if present.null_count() > 0.02 * len(present):
            return None
    if not present.dtype.is_numeric():
        return None
    values = present.cast(pl.Float64).drop_nulls().to_numpy()
    steps = np.diff(values)
    if not len(steps) or np.mean(steps >= 0) < 0.95 or values[-1] <= values[0]:
        return None
    middle = float(np.median(values))
    for form, low, high in (
        ("epoch-s", 3e8, 5e9),
        ("epoch-ms", 3e11, 5e12),
        ("epoch-us", 3e14, 5e15),
        ("epoch-ns", 3e17, 5e18),
    ):
        if low <= middle <= high:
            return Guess(form, 0.95, f"it rises and lies about {middle:.3g}")
    step = float(np.median(steps))
    if 30_000.0 <= middle <= 70_000.0 and values[-1] - values[0] < 60.0 and step < 0.05:
        return Guess("serial-days", 0.85, "it lies where spreadsheets count the days of this age")
    return _since_start(name, values, steps)


_UNIT_WORDS = {
    "ms": "milliseconds", "msec": "milliseconds", "millis": "milliseconds",
    "milliseconds": "milliseconds", "us": "microseconds", "usec": "microseconds",
    "micros": "microseconds", "microseconds": "microseconds", "ns": "nanoseconds",
    "nsec": "nanoseconds", "nanos": "nanoseconds", "nanoseconds": "nanoseconds",
    "s": "seconds", "sec": "seconds", "secs": "seconds", "seconds": "seconds",
}  # fmt: skip


def _since_start(name: str, values: Floats, steps: Floats) -> Guess:
    """Guess in which unit a column counts from the log's start."""
    last = re.findall(r"[a-z]+", name.lower())[-1:]
    said = _UNIT_WORDS.get(last[0]) if last else None
    if said is not None:
        return Guess(said, 0.85, f"its name ends in {last[0]}; the start is not in the log")
    whole = bool(np.all(values == np.round(values)))
    if whole and np.all(steps == 1):
        return Guess("seconds", 0.15, "it counts one by one: rows, or seconds")
    if whole:
        return Guess("milliseconds", 0.4, "whole numbers: milliseconds, or a slow log's seconds")
    return Guess("seconds", 0.65, "it rises from a small number; the start is not in the log")
