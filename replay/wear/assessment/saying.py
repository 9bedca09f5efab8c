"""How a rate of wear and its projection are said: once, for the list, the page and the sheet.

A rate has the digits that its interval leaves it, at most two of those being uncertain
(JCGM 100:2008, 7.2.6). What is measured in per cent changes by percentage points: 9 % a
year off 46 % would leave 42 %, nine points leave 37 %.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Any

APART = 0.1
"""A straight line and the median that are further apart than this share of the time left
are both told, and why they differ."""

LATEST = datetime(9000, 1, 1, tzinfo=UTC)
"""What stands for a date that is too far off to be one."""

_PACE = {
    "slowing": "slow down",
    "level": "stop",
    "quickening": "quicken",
    "begun late": "began late",
}
"""What courses of a law do, of those that are not straight."""

_LATER, _EARLIER = ("slowing", "level"), ("quickening", "begun late")


def decimals(slope: float, low: float, high: float) -> int:
    """Return how many decimals a slope and its interval are worth.

    >>> decimals(-9.346, -13.52, -6.577), decimals(0.0156, 0.00064, 0.0305)
    (1, 3)
    """
    reach = max(high - slope, slope - low)
    if not (math.isfinite(reach) and reach > 0):
        reach = abs(slope) or 1.0
    return max(0, 1 - math.floor(math.log10(reach)))


def signed(value: float, places: int) -> str:
    """Return a number with its sign, as axes show it; nought has none.

    >>> signed(-9.346, 1), signed(0.0156, 3), signed(-0.0001, 2)
    ('−9.3', '+0.016', '0.00')
    """
    text = f"{value:+,.{places}f}"
    return text[1:] if not float(text.replace(",", "")) else text.replace("-", "−")


def rate_unit(unit: str) -> str:
    """Return what a rate is counted in: per cent change by points.

    >>> rate_unit("%"), rate_unit("A")
    ('points', 'A')
    """
    return "points" if unit == "%" else unit


def rate(slope: float, low: float, high: float, unit: str, per: str = "a year") -> str:
    """Return a slope with its interval.

    >>> rate(-9.346, -13.52, -6.577, "%")
    '−9.3 points a year (−13.5 to −6.6)'
    """
    places = decimals(slope, low, high)
    ends = " to ".join(signed(v, places) for v in (low, high))
    said = " ".join(w for w in (signed(slope, places), rate_unit(unit), per) if w)
    return f"{said} ({ends})"


def size_of_rate(slope: float, low: float, high: float, unit: str) -> str:
    """Return a slope without its sign, in the digits of `rate`.

    >>> size_of_rate(-9.346, -13.52, -6.577, "%")
    '9.3 points a year'
    """
    return f"{abs(slope):,.{decimals(slope, low, high)}f} {rate_unit(unit)} a year"


def line_date(projection: dict[str, Any] | None) -> datetime | None:
    """Return where the straight trend alone would meet the limit, where that is another date.

    None where it agrees with the projection's median, or there is none of them.
    """
    if not projection:
        return None
    line, years = projection.get("date_line"), projection.get("remaining_years")
    straight = projection.get("remaining_years_line")
    if not isinstance(line, datetime) or years is None or straight is None:
        return None
    near = abs(years - straight) <= max(APART * max(years, straight), 1 / 12)
    return None if near else line


def why_not_the_line(projection: dict[str, Any] | None) -> str:
    """Return why the projection is not where the straight trend leads; empty where it is."""
    line = line_date(projection)
    if projection is None or line is None:
        return ""
    later = projection["date"] > line
    bent = {law["law"]: law["weight"] for law in projection["laws"] if law["law"] in _PACE}
    fitting = [n for n in (_LATER if later else _EARLIER) if bent.get(n, 0.0) >= 0.1]
    heaviest = sorted(fitting, key=lambda n: -bent[n])[:2]
    held = " and ".join(f"{bent[n]:.0%} of the weight on courses that {_PACE[n]}" for n in heaviest)
    because = f", with {held.replace('%', ' %')}" if held else ""
    word = "later" if later else "sooner"
    return (
        f"The straight trend alone would meet it about {line:%B %Y}; the projection comes {word}, "
        f"for it averages the laws of wear that fit{because}"
    )


NO_TREND = "no trend, so no date"
"""What stands before a bound that no trend leads to: it is no forecast."""


def due(projection: dict[str, Any], *, trend: bool = True) -> str:
    """Return a projection's dates in a table's few words; empty where there is none to tell.

    An interval without a late end holds 95 % on its one side. ``trend`` tells that a trend is
    called: without one a bound only says how far the sessions reach, earlier the fewer and the
    more scattered they are, and stands beside dates of units that do wear.
    """
    low, high, middle = (_told(projection.get(k)) for k in ("date_low", "date_high", "date"))
    if middle is None:
        held = "" if trend else f"{NO_TREND}; "
        return f"{held}not before {low:%Y-%m}" if low else ""
    held = "" if trend else "no trend yet; as the line goes "
    if low and high:
        return f"{held}{middle:%Y-%m} ({low:%Y-%m} to {high:%Y-%m})"
    return held + (f"not before {low:%Y-%m}, median {middle:%Y-%m}" if low else f"{middle:%Y-%m}")


def _told(date: datetime | None) -> datetime | None:
    return None if date is not None and date >= LATEST else date
