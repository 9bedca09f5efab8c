"""Times that a pattern of POSIX ``strftime`` describes, such as ``%d.%m.%Y %H:%M:%S``.

Recorders and offices write dates in the order of their country. Which number
is the day is stated in the log map, or told by a number above 12; it is never
guessed from one alone.
"""

from __future__ import annotations

import re

import polars as pl

KNOWN = "YymdjbBHIMSpfzT"
"""Signs after ``%`` that a pattern may have."""

_DATE = r"(\d{1,2})([./-])(\d{1,2})[./-](\d{4})"
_CLOCK = r"\d{1,2}:\d{2}(:\d{2})?(?:[.,]\d+)?( ?[AaPp][Mm])?"
_WRITTEN = f"^{_DATE}([ T]){_CLOCK}$"
_US_OF_NS = 9_223_372_036_854_775


def is_pattern(form: object) -> bool:
    """Tell whether the format of a log map is a pattern rather than a name."""
    return isinstance(form, str) and "%" in form


def fault(pattern: str) -> str | None:
    """Return what a pattern lacks or has too much, or None.

    Examples
    --------
    >>> fault("%d.%m.%Y %H:%M:%S")
    >>> fault("%d.%m. %H:%M")
    'no year (%Y)'
    """
    signs = re.findall(r"%\.?(.?)", pattern)
    for sign in signs:
        if sign not in KNOWN or not sign:
            return f"%{sign} is not known; known are {' '.join('%' + k for k in KNOWN)}"
    has = set(signs)
    if not has & set("Yy"):
        return "no year (%Y)"
    if "j" not in has and not (has & set("mbB") and "d" in has):
        return "no month and day (%m and %d, or %j)"
    if "T" not in has and not (("H" in has or {"I", "p"} <= has) and "M" in has):
        return "no hour and minute (%H and %M, or %I, %M and %p)"
    return None


def read_pattern(text: pl.Series, pattern: str) -> pl.Series:
    """Return ns since 1970 for each text; null where it is not of the pattern.

    A fraction of the second may follow ``%S`` and ``%T``, after a point or a comma.
    Second 60 is not read: a pattern cannot say whether it was one.
    """
    form = pattern.replace("%T", "%H:%M:%S").replace(".%f", "%f").replace("%.f", "%f")
    form = form.replace("%S%f", "%S").replace("%S", "%S%.f")
    text = text.str.strip_chars(" \"'")
    if "," not in pattern:
        text = text.str.replace(r"(\d),(\d)", "$1.$2")
    sixty = text.str.contains(r":60(\D|$)")
    text = pl.select(pl.when(~sixty).then(text)).to_series()
    us = text.str.strptime(pl.Datetime("us"), form, strict=False).cast(pl.Int64)
    ns = text.str.strptime(pl.Datetime("ns"), form, strict=False).cast(pl.Int64)
    return pl.select(pl.when(us.abs() < _US_OF_NS).then(ns)).to_series()


def guess_pattern(text: pl.Series) -> tuple[str, float, str] | None:
    """Return the pattern of dates that begin with day or month, how sure, and why.

    Parameters
    ----------
    text : polars.Series of String
        Times as they are written, some of them.
    """
    parts = text.str.extract_groups(_WRITTEN).struct.unnest()
    whole = parts.filter(parts["1"].is_not_null())
    if not len(text) or whole.height < 0.95 * len(text):
        return None
    ways = whole.select("2", "5", pl.col("6").is_null(), pl.col("7").fill_null("")).unique()
    if ways.height != 1:
        return None
    sign, between, no_seconds, half = ways.row(0)
    one, two = (int(whole[k].cast(pl.Int64).max()) for k in ("1", "3"))  # type: ignore[arg-type]
    clock = ("%I:%M" if half else "%H:%M") + ("" if no_seconds else ":%S")
    clock += half[:-2] + "%p" if half else ""
    day_first, month_first = (
        f"{a}{sign}{b}{sign}%Y{between}{clock}" for a, b in (("%d", "%m"), ("%m", "%d"))
    )
    if one > 12 >= two:
        return day_first, 0.95, f"the first number reaches {one}: it is the day"
    if two > 12 >= one:
        return month_first, 0.95, f"the second number reaches {two}: it is the day"
    if one > 12 and two > 12:
        return None
    if sign == ".":
        return day_first, 0.5, "with points the day usually comes first; no day above 12 shows it"
    return day_first, 0.2, "day or month first: no number above 12 shows it"
