"""How a count and a number are said: once, for the engine, its reports and the pages."""

from __future__ import annotations

from typing import Any

NONE = "–"
"""What stands where there is nothing to say."""


def counted(count: int, one: str, many: str = "") -> str:
    """Return a count with its noun, in the singular where it is one.

    ``many`` is the plural where that is not ``one`` with an s.

    >>> counted(1, "session"), counted(0, "flag"), counted(2400, "log")
    ('1 session', '0 flags', '2400 logs')
    >>> counted(1, "finding waits", "findings wait"), counted(3, "finding waits", "findings wait")
    ('1 finding waits', '3 findings wait')
    """
    return f"{count} {one if count == 1 else many or one + 's'}"


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
