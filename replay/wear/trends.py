"""All histories of an archive judged together.

Verdicts hold the false discovery rate over every joint unit and indicator at
once, so asking for one joint gives the same verdict as asking for all.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.archive import Archive
from replay.errors import UsageError
from replay.records import Trend
from replay.wear import keeping
from replay.wear.assessing import CONFIDENCE, Assessment, assess
from replay.wear.catalogue import USE_AXES, describe
from replay.wear.discovery import adjusted_p_values
from replay.wear.histories import YEAR_US, History, histories, instant, use_so_far
from replay.wear.indicators import NOTHING
from replay.wear.limits import limit_for, limits
from replay.wear.maintenance import maintenance
from replay.wear.projection import Projection
from replay.wear.thinning import numbers_of

FALSE_DISCOVERIES = 0.05
"""Accepted share of false ones among the trends reported as worse, and among
those reported as better."""

LEADING = 4.0
"""Weight of the indicators that a decision rests on, beside those that only
say more about it (`Indicator.leading`)."""

LATEST = datetime(9000, 1, 1, tzinfo=UTC)

Verdict = Literal["rising", "falling", "steady", "too-few"]


def trends(
    archive: Archive,
    *,
    joint: str | None = None,
    indicator: str | None = None,
    serial: str | None = None,
    arm: str | None = None,
    against: str = "time",
) -> list[Trend]:
    """Return the trend of every indicator of every unit.

    The result is kept in the archive until indicators, maintenance notes or
    limits change.

    Parameters
    ----------
    archive : Archive
        Its ``indicators`` table is read as it is; `replay.wear.indicators`
        brings it up to date.
    joint, indicator, serial, arm : str, optional
        Show only these; the verdicts do not depend on it.
    against : {"time", "travel", "brake-cycles", "work"}
        What wear is drawn against. ``slope_per_year`` is then the slope at the
        unit's mean use per year; the slope per use is in ``detail``.

    Raises
    ------
    UsageError
        When ``against`` is none of these.
    """
    if against != "time" and against not in USE_AXES:
        raise UsageError(
            f"wear cannot be drawn against {against!r}", todo=f"time, {', '.join(USE_AXES)}"
        )
    wanted = {"joint": joint, "indicator": indicator, "serial": serial, "arm": arm}
    found = keeping.read(archive, against)
    if found is None:
        table = keeping.indicator_rows(archive)
        found = judge(table, maintenance(archive), limits(archive), against=against)
        keeping.write(archive, against, found)
    return [t for t in found if all(v is None or getattr(t, k) == v for k, v in wanted.items())]


def judge(
    table: pl.DataFrame,
    notes: pl.DataFrame,
    bounds: dict[str, float],
    *,
    against: str = "time",
) -> list[Trend]:
    """Return the trends of an indicator table, without an archive.

    Parameters
    ----------
    table : DataFrame
        Columns as in `replay.wear.indicators.SCHEMA`.
    notes : DataFrame
        Maintenance notes.
    bounds : dict
        Limits as `replay.wear.limits.limits` returns them.
    against : str
    """
    judged = list(assessments(table, notes, bounds, against=against))
    adjusted = _adjusted(judged)
    found = [
        _trend(a, float(p), against, limit_for(bounds, a.history.serial, a.history.indicator))
        for a, p in zip(judged, adjusted, strict=True)
    ]
    return sorted(found, key=lambda t: (t.arm, t.joint, t.serial, t.indicator))


def assessments(
    table: pl.DataFrame,
    notes: pl.DataFrame,
    bounds: dict[str, float],
    *,
    against: str = "time",
) -> Iterable[Assessment]:
    """Yield every history of a table, judged by itself."""
    if not table.height:
        return
    table = table.filter(pl.col("indicator") != NOTHING)
    use = use_so_far(table, against) if against != "time" else pl.DataFrame()
    counted = [n for n in table["indicator"].unique() if describe(n).counts_use]
    tested = table.filter(~pl.col("indicator").is_in(counted))
    for history in histories(tested, notes, against=against, use=use):
        yield assess(history, limit=limit_for(bounds, history.serial, history.indicator))


def _trend(a: Assessment, adjusted: float, against: str, limit: float | None) -> Trend:
    h = a.history
    common: dict[str, Any] = {
        "joint": h.joint,
        "indicator": h.indicator,
        "unit": h.unit,
        "serial": h.serial,
        "arm": h.arm,
        "n": a.n,
    }
    last = float(h.levelled.values[-1])
    detail: dict[str, Any] = {
        "against": against,
        "axis_unit": h.axis_unit,
        "first": h.when(0),
        "last": h.when(h.n - 1),
        "sessions": h.n,
        "corrected_for": list(h.levelled.terms),
        "worse": describe(h.indicator).worse,
        "spark": spark(h),
    }
    if a.slope is None:
        return Trend(
            **common,
            slope_per_year=None,
            slope_low=None,
            slope_high=None,
            p_value=None,
            verdict="too-few",
            last_value=last,
            detail=detail | {"reason": a.reason},
        )
    per_year = _per_year(h)
    verdict, reason = _verdict(a, adjusted)
    detail |= {
        "reason": reason,
        "adjusted_p_value": adjusted,
        "variance_factor": a.variance_factor,
        "level": a.level,
        "change": a.change,
        "change_share": a.change / abs(a.level - a.change) if a.level != a.change else None,
        "slope": a.slope.slope,
        "slope_axis_low": a.slope.low,
        "slope_axis_high": a.slope.high,
        "condition_effects": h.levelled.effect,
        "reference": h.levelled.reference,
        "sections": len(numbers_of(h.sections)),
    }
    if a.shape is not None:
        detail["shape"] = a.shape.word
        detail["steps"] = [
            {"at": h.when(_index(h, at)), "size": size}
            for at, size in zip(a.shape.steps, a.shape.sizes, strict=True)
        ]
    if limit is not None and a.projection is not None:
        detail["projection"] = _dated(a.projection, h, against)
    return Trend(
        **common,
        slope_per_year=a.slope.slope * per_year,
        slope_low=a.slope.low * per_year,
        slope_high=a.slope.high * per_year,
        p_value=a.p_value,
        verdict=verdict,
        last_value=last,
        since=h.when(a.since) if a.since is not None and verdict in ("rising", "falling") else None,
        detail=detail,
    )


def _adjusted(judged: Sequence[Assessment]) -> npt.NDArray[np.float64]:
    """Return the adjusted p-value of the way each trend goes.

    Two questions are asked of all histories, each with its own false discovery
    rate: which get worse, and which get better. Both are one-sided, so a unit
    that wears is not held back by the chance that it might have improved.
    Where either way is worse, both tails count.
    """
    weights = [LEADING if describe(a.history.indicator).leading else 1.0 for a in judged]
    worse, better = np.full(len(judged), np.nan), np.full(len(judged), np.nan)
    goes_worse = np.zeros(len(judged), dtype=bool)
    for k, a in enumerate(judged):
        if a.p_value is None or a.slope is None:
            continue
        way = describe(a.history.indicator).worse
        if way == "either":
            worse[k], goes_worse[k] = a.p_value, True
            continue
        goes_worse[k] = (a.slope.slope > 0) == (way == "up")
        with_it, against_it = a.p_value / 2, 1 - a.p_value / 2
        worse[k], better[k] = (with_it, against_it) if goes_worse[k] else (against_it, with_it)
    return np.where(
        goes_worse, adjusted_p_values(worse, weights), adjusted_p_values(better, weights)
    )


def spark(h: History, points: int = 36) -> list[float]:
    """Return a history in few medians, evenly many sessions each, for a small picture."""
    parts = np.array_split(h.levelled.values, min(points, h.n))
    return [float(np.median(p)) for p in parts]


def _verdict(a: Assessment, adjusted: float) -> tuple[Verdict, str]:
    assert a.slope is not None
    if not adjusted <= FALSE_DISCOVERIES:
        return "steady", "no trend beyond chance"
    if not a.matters:
        return "steady", "a trend, but too small over the history to matter"
    return ("rising" if a.slope.slope > 0 else "falling"), ""


def _per_year(h: History) -> float:
    """Return axis units per year: 1 for time, mean use per year otherwise."""
    if h.axis_unit == "year":
        return 1.0
    years = float(h.start_us[-1] - h.start_us[0]) / YEAR_US
    return float(h.axis[-1] - h.axis[0]) / years if years > 0 else float("nan")


def _index(h: History, at: float) -> int:
    return min(int(np.searchsorted(h.axis, at - 1e-12)), h.n - 1)


def _dated(p: Projection, h: History, against: str) -> dict[str, Any]:
    """Return a projection for JSON: values on the axis, and dates at the mean use."""
    per_year = _per_year(h)

    def date(value: float | None) -> datetime | None:
        if value is None or not per_year > 0:
            return None
        years = (value - float(h.axis[-1])) / per_year
        if years > 5000:
            return LATEST
        return instant(int(h.start_us[-1])) + timedelta(days=years * 365.25)

    def remaining(value: float | None) -> float | None:
        if value is None or not per_year > 0:
            return None
        return max((value - float(h.axis[-1])) / per_year, 0.0)

    made: dict[str, Any] = {
        "word": p.word,
        "reason": p.reason,
        "limit": p.limit,
        "date": date(p.median),
        "date_low": date(p.low),
        "date_high": date(p.high),
        "remaining_years": remaining(p.median),
        "remaining_years_low": remaining(p.low),
        "remaining_years_high": remaining(p.high),
        "confidence": CONFIDENCE,
        "chance": p.chance,
        "horizon": date(p.horizon),
        "laws": [{"law": law, "weight": round(w, 4)} for law, w in p.laws],
    }
    if against != "time":
        made |= {"use": p.median, "use_low": p.low, "use_high": p.high}
    return made
