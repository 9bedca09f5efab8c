"""How a report says instants, lengths of time and shares."""

from __future__ import annotations

from datetime import datetime, timedelta

from replay.archive.completeness import per_cent
from replay.wording import NONE, clock, day_and_clock


def instant(at: datetime | None) -> str:
    """Return an instant to the millisecond, UTC.

    >>> from datetime import UTC
    >>> instant(datetime(2031, 4, 2, 9, 0, 1, 250400, tzinfo=UTC))
    '2031-04-02 09:00:01.250 Z'
    """
    if at is None:
        return NONE
    return f"{day_and_clock(at, 3)} Z"


def span(start: datetime, end: datetime) -> str:
    """Return a span with its length; the day is said once."""
    last = f"{clock(end, 3)} Z"
    whole = last if start.date() == end.date() else instant(end)
    return f"{instant(start)} to {whole} ({duration(end - start)})"


def duration(length: timedelta | float) -> str:
    """Return a length of time in the unit that suits it.

    >>> duration(7.25), duration(600.0), duration(9000.0)
    ('7.25 s', '10.0 min', '2.50 h')
    """
    seconds = length.total_seconds() if isinstance(length, timedelta) else length
    if seconds < 120:
        return f"{seconds:.3g} s"
    return f"{seconds / 60:.1f} min" if seconds < 5400 else f"{seconds / 3600:.2f} h"


def share(value: float | None) -> str:
    """Return a share as per cent, to the hundredth; only what is whole reads 100."""
    return "not known" if value is None else per_cent(value)
