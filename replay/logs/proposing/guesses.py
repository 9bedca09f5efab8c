"""What a column's values say, where its name does not: units, words, time.

Each guess comes with how sure it is and why. A unit told by its range of
values alone is never more than a guess; the derivative of an angle held
against a rate is a test.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.logs import scales
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


def angle_unit(columns: Sequence[Floats]) -> Guess:
    """Guess deg or rad by size."""
    top = size(columns)
    if top == 0.0:
        return Guess("deg", 0.2, "it never moves")
    if top <= 2.0:
        return Guess("rad", 0.4, f"values reach {top:.3g}: radians, or a few degrees")
    if top <= 6.6:
        return Guess("rad", 0.6, f"values reach {top:.3g}: within one turn in radians")
    if top <= 800.0:
        return Guess("deg", 0.75, f"values reach {top:.3g}: too large for radians")
    return Guess("deg", 0.3, f"values reach {top:.3g}: many turns, or no degrees")


def rate_unit(columns: Sequence[Floats]) -> Guess:
    """Guess deg/s or rad/s by size."""
    top = size(columns)
    if top > 12.0:
        return Guess("deg/s", 0.7, f"values reach {top:.3g}: too fast in radians")
    return Guess("rad/s", 0.45, f"values reach {top:.3g}: slow degrees or quick radians")


def current_unit(columns: Sequence[Floats]) -> Guess:
    """Guess A or mA by size."""
    top = size(columns)
    if top > 150.0:
        return Guess("mA", 0.65, f"values reach {top:.3g}")
    return Guess("A", 0.7, f"values reach {top:.3g}")


def temperature_unit(columns: Sequence[Floats]) -> Guess:
    """Guess degC, K or degF by size."""
    joined = np.concatenate([c[np.isfinite(c)] for c in columns] or [np.zeros(0)])
    middle = float(np.median(joined)) if len(joined) else 0.0
    if 200.0 <= middle <= 420.0:
        return Guess("K", 0.85, f"values lie about {middle:.3g}")
    if middle > 60.0:
        return Guess("degF", 0.5, f"values lie about {middle:.3g}: hot, or in Fahrenheit")
    return Guess("degC", 0.75, f"values lie about {middle:.3g}")


def by_derivative(
    angles: Sequence[Floats],
    rates: Sequence[Floats],
    seconds: Floats,
    angle: Guess,
    rate: Guess,
) -> tuple[Guess, Guess]:
    """Hold units of angle and rate against each other by differentiation.

    Returns the pair of units that fits, surer where it fits well.
    """
    ratios = []
    for a, r in zip(angles, rates, strict=False):
        dt = np.diff(seconds)
        slope = np.diff(a) / np.where(dt > 0, dt, np.nan)
        middle = 0.5 * (r[1:] + r[:-1])
        use = np.isfinite(slope) & np.isfinite(middle)
        if use.sum() < 20:
            continue
        fast = use & (np.abs(middle) > 0.3 * np.nanmax(np.abs(middle[use])))
        if fast.sum() >= 10:
            ratios.append(float(np.median(slope[fast] / middle[fast])))
    if not ratios:
        return angle, rate
    ratio = abs(float(np.median(ratios)))
    best: tuple[float, str, str] | None = None
    for a_unit in ("deg", "rad", "rev", "mm"):
        for r_unit in ("deg/s", "rad/s", "rpm", "rev/s", "mm/s"):
            linear = scales.SCALES[a_unit].linear, scales.SCALES[r_unit].linear
            if linear[0] != linear[1]:
                continue
            expected = scales.SCALES[r_unit].factor / scales.SCALES[a_unit].factor
            misfit = abs(np.log(max(ratio, 1e-12) / expected))
            stated = (a_unit == angle.value) + (r_unit == rate.value)
            weight = misfit - 0.15 * (
                angle.confidence * (a_unit == angle.value)
                + rate.confidence * (r_unit == rate.value)
            )
            if misfit < 0.3 and (best is None or weight < best[0]):
                best = (weight - 1e-6 * stated, a_unit, r_unit)
    if best is None:
        why = f"the angle's slope is {ratio:.3g} times the rate: no two units explain that"
        return (
            Guess(angle.value, min(angle.confidence, 0.4), why),
            Guess(rate.value, min(rate.confidence, 0.4), why),
        )
    _, a_unit, r_unit = best
    why = f"the angle's slope is {ratio:.3g} times the rate, as {a_unit} and {r_unit} have it"
    base = max(
        angle.confidence if angle.value == a_unit else 0.0,
        rate.confidence if rate.value == r_unit else 0.0,
    )
    differ = scales.SCALES[a_unit].factor != scales.SCALES[r_unit].factor
    sure = 0.9 if differ else min(base + 0.1, 0.95)
    return (
        Guess(a_unit, max(sure, angle.confidence if angle.value == a_unit else 0.0), why),
        Guess(r_unit, max(sure, rate.confidence if rate.value == r_unit else 0.0), why),
    )


_ENGAGED = ("eng", "appl", "lock", "set", "hold", "clos", "clamp", "on brake", "stop")
_RELEASED = ("rel", "open", "free", "unlock", "lift", "unclamp")


def brake_words(
    columns: Sequence[pl.Series], moving: Sequence[Floats | None]
) -> tuple[dict[str, str], float, str]:
    """Guess what brake words mean: by the word, and by whether the joint moves.

    ``moving`` holds the size of each joint's rate beside its words, or None.
    """
    words = sorted(
        {w.strip() for c in columns for w in c.drop_nulls().cast(pl.String).unique()} - {""}
    )
    if not words or len(words) > 12:
        return {}, 0.0, "no words, or too many"
    meaning: dict[str, str] = {}
    for word in words:
        low = word.lower()
        if low.startswith(_RELEASED):
            meaning[word] = "released"
        elif low.startswith(_ENGAGED):
            meaning[word] = "engaged"
    if len(set(meaning.values())) == 2 or (meaning and len(meaning) == len(words)):
        return meaning, 0.9, "the words say so"
    speed = _speed_by_word(columns, moving, words)
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


def _speed_by_word(
    columns: Sequence[pl.Series], moving: Sequence[Floats | None], words: Sequence[str]
) -> dict[str, float]:
    sums = dict.fromkeys(words, 0.0)
    counts = dict.fromkeys(words, 0)
    for column, rate in zip(columns, moving, strict=False):
        if rate is None:
            continue
        text = column.cast(pl.String).str.strip_chars()
        for word in words:
            mask = (text == word).fill_null(False).to_numpy() & np.isfinite(rate)
            sums[word] += float(rate[mask].sum())
            counts[word] += int(mask.sum())
    return {w: sums[w] / counts[w] for w in words if counts[w] >= 5}


def time_guess(column: pl.Series) -> Guess | None:
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
    for name, low, high in (
        ("epoch-s", 3e8, 5e9),
        ("epoch-ms", 3e11, 5e12),
        ("epoch-us", 3e14, 5e15),
        ("epoch-ns", 3e17, 5e18),
    ):
        if low <= middle <= high:
            return Guess(name, 0.95, f"it rises and lies about {middle:.3g}")
    whole = bool(np.all(values == np.round(values)) and np.all(steps == 1))
    if whole:
        return Guess("seconds", 0.15, "it counts one by one: rows, or seconds")
    return Guess("seconds", 0.6, "it rises from a small number; the start is not in the log")
