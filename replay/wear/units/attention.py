"""Which word of attention a unit gets, and why: few words, one rule each."""

from __future__ import annotations

from replay.records import Trend
from replay.wear.assessment.saying import line_date, rate
from replay.wear.catalogue import describe

SOON_YEARS = 1.0
"""A limit that may come within this time is watched: a replacement is planned
about so far ahead (common practice, no source)."""


def worsens(t: Trend) -> bool:
    """Tell whether a trend is called towards the side that is worse."""
    worse = describe(t.indicator).worse
    return (
        (t.result == "rising" and worse == "up")
        or (t.result == "falling" and worse == "down")
        or (t.result in ("rising", "falling") and worse == "either")
    )


def watch_reason(t: Trend) -> str:
    """Return why a trend that is not called worse must not be called steady; empty if it may.

    The one rule for it, for the indicators on which a decision rests: the
    interval of the slope lies wholly on the bad side, or the limit may come
    within `SOON_YEARS`, or the level stepped and no maintenance was noted. The
    others only say more about it: a unit has many, and of each the interval of
    one in twenty lies there by chance.
    """
    about = describe(t.indicator)
    if t.result == "too-few" or not about.leading:
        return ""
    soonest = (t.detail.get("projection") or {}).get("remaining_years_low")
    if soonest is not None and soonest <= SOON_YEARS:
        return f"its limit may come within {max(soonest, 0.0):.1g} years"
    questions = t.detail.get("questions") or []
    if questions:
        return str(questions[-1]["question"])
    low, high = t.slope_low, t.slope_high
    up = low is not None and low > 0 and about.worse in ("up", "either")
    down = high is not None and high < 0 and about.worse in ("down", "either")
    if up or down:
        return "its interval lies wholly on the side that is worse"
    return ""


def fleet_reason(t: Trend, attention: str, peer: tuple[int, float] | None, watched: str) -> str:
    """Return why a unit stands where it does in the fleet's list."""
    since = f" since {t.since:%Y-%m-%d}" if t.since else ""
    told = (
        ""
        if t.slope_per_year is None or t.slope_low is None or t.slope_high is None
        else rate(t.slope_per_year, t.slope_low, t.slope_high, t.unit)
    )
    if attention == "removed":
        until = f"; until then {t.indicator} changed by {told}" if told else ""
        return f"out of its place, last logged {t.detail['last']:%Y-%m-%d}{until}"
    line = line_date(t.detail.get("projection"))
    if line is not None:
        told += f", in a straight line to its limit about {line:%Y-%m}"
    if attention == "past limit":
        limit = t.detail["projection"]["limit"]
        return f"{t.indicator} has passed its limit of {limit:g} {t.unit}"
    if attention in ("worsening", "changing"):
        return f"{t.indicator} is {t.result}{since}: {told}"
    if attention == "unlike its peers" and peer is not None:
        return f"{t.indicator} changes unlike that of {peer[0]} peers: {told}"
    if attention == "watch" and watched.startswith("was something done"):
        return watched
    if attention == "watch":
        return f"{t.indicator} is not called {_bad_way(t)} yet, but {watched}: {told}"
    if attention == "steady":
        return "no trend beyond chance or big enough to matter"
    return str(t.detail.get("reason", ""))


def _bad_way(t: Trend) -> str:
    return {"up": "rising", "down": "falling"}.get(describe(t.indicator).worse, "changing")
