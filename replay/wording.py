"""How a count, a number, a kind and an instant are said: once, for engine, reports and pages."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

NONE = "–"
"""What stands where there is nothing to say."""

_MINUS = re.compile(r"(?<![\w.,:)\]}\-−–/])-(?=\.?\d)")
_PER_CENT = re.compile(r"(?<=\d)%(?![\w%])")
_WRITTEN_WITH_HYPHEN = frozenset({"stick-slip"})


def counted(count: int, one: str, many: str = "") -> str:
    """Return a count with its noun, in the singular where it is one.

    ``many`` is the plural where that is not ``one`` with an s.

    >>> counted(1, "session"), counted(0, "flag"), counted(2400, "log")
    ('1 session', '0 flags', '2400 logs')
    >>> counted(1, "finding waits", "findings wait"), counted(3, "finding waits", "findings wait")
    ('1 finding waits', '3 findings wait')
    """
    return f"{count} {one if count == 1 else many or one + 's'}"


def in_a_row(words: Sequence[str], last: str = "and") -> str:
    """Return words as a sentence lists them.

    >>> in_a_row(["current"]), in_a_row(["current", "angle", "temperature"])
    ('current', 'current, angle and temperature')
    """
    *most, end = words
    return f"{', '.join(most)} {last} {end}" if most else end


def kind_words(kind: str) -> str:
    """Return a flag's kind, or another name that is kept with hyphens, as a reader reads it.

    What is kept, sent and asked for in an address stays as it is. Stick-slip is written with
    its hyphen (common practice, no source).

    >>> kind_words("brake-slip"), kind_words("stick-slip"), kind_words("gap")
    ('brake slip', 'stick-slip', 'gap')
    """
    return kind if kind in _WRITTEN_WITH_HYPHEN else kind.replace("-", " ")


def lacking_words(lacking: int, of: int) -> str:
    """Say how many of a session's findings have no disposition.

    >>> lacking_words(1, 1), lacking_words(1, 3)
    ('1 of 1 finding has no disposition', '1 of 3 findings has no disposition')
    >>> lacking_words(2, 3)
    '2 of 3 findings have no disposition'
    """
    have = "has" if lacking == 1 else "have"
    return f"{lacking} of {counted(of, 'finding')} {have} no disposition"


TOP_SCORE = 260.0
"""A score is told no further than this (`checks/limits/extreme_values.py` counts no further)."""


def score_figure(score: float) -> str:
    """Return a flag's score as pages and reports write it: three digits.

    >>> score_figure(5.408), score_figure(16.729), score_figure(2.0), score_figure(260.0)
    ('5.41', '16.7', '2.00', '≥ 260')
    """
    said = f"{score:#.3g}".rstrip(".")
    return f"≥ {said}" if score >= TOP_SCORE else said


def number(value: Any, digits: int = 3) -> str:
    """Return a number with so many significant digits; words as they are.

    >>> number(1234567.0), number(0.012345), number(None), number(float("inf"))
    ('1,234,567', '0.0123', '–', 'no bound')

    What rounds up to a power of ten is not written as one:

    >>> number(999.4), number(999.6), number(-999.6), number(1000.0)
    ('999', '1,000', '-1,000', '1,000')
    """
    if value is None or value != value:
        return NONE
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return f"{value:,}"
    if not isinstance(value, float):
        return str(value)
    if value in (float("inf"), float("-inf")):
        return "no bound"
    short = f"{value:.{digits}g}"
    return f"{value:,.0f}" if abs(float(short)) >= 10**digits else short


def typeset(text: str) -> str:
    """Return a sentence with minus signs, °C and room before %; dates and names as they are.

    >>> typeset("off by -0.63 A at 27 degC on 2032-08-11, heron-876521, (-5 to -2), 3-4")
    'off by −0.63 A at 27 °C on 2032-08-11, heron-876521, (−5 to −2), 3-4'
    >>> typeset("75% is missing (90% confidence), a%20b")
    '75 % is missing (90 % confidence), a%20b'
    """
    return _PER_CENT.sub(" %", _MINUS.sub("−", text)).replace("degC", "°C")


def clock(at: datetime, digits: int = 0) -> str:
    """Return the time of day, rounded to so many digits of a second.

    >>> at = datetime(2032, 3, 3, 7, 58, 45, 267_000)
    >>> clock(at, 1), clock(at.replace(second=59, microsecond=960_000), 1)
    ('07:58:45.3', '07:59:00.0')
    >>> clock(datetime(2032, 3, 3, 7, 58, 45, 267_891), 3), clock(datetime(2032, 3, 3, 7, 0))
    ('07:58:45.268', '07:00:00')
    """
    return f"{_rounded(at, digits):%H:%M:%S}" + _part(at, digits)


def day_and_clock(at: datetime, digits: int = 0) -> str:
    """Return the day and the time of day, rounded so: midnight's day is the one that begins.

    >>> day_and_clock(datetime(2031, 12, 31, 23, 59, 59, 999_700), 3)
    '2032-01-01 00:00:00.000'
    """
    return f"{_rounded(at, digits):%Y-%m-%d %H:%M:%S}" + _part(at, digits)


def _rounded(at: datetime, digits: int) -> datetime:
    step = 10 ** (6 - digits)
    return at + timedelta(microseconds=(at.microsecond + step // 2) // step * step - at.microsecond)


def _part(at: datetime, digits: int) -> str:
    return f".{_rounded(at, digits).microsecond:06d}"[: digits + 1] if digits else ""
