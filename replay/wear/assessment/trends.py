"""All histories of an archive judged, unit by unit.

The false discovery rate is held over the indicators of one joint unit: what is
asked of a unit is the same however many others there are, whatever is noted or
measured of them, and whichever of them is asked for.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.archive import Archive
from replay.errors import UsageError
from replay.records import Trend
from replay.statistics.false_discovery import adjusted_p_values
from replay.wear.assessment import trend_cache
from replay.wear.assessment.assessing import CONFIDENCE, Assessment, UnloggedStep, assess
from replay.wear.assessment.projection import Projection
from replay.wear.catalogue import USE_AXES, describe
from replay.wear.histories.aggregation import numbers_of
from replay.wear.histories.history import YEAR_US, History, histories, instant, use_so_far
from replay.wear.histories.temperature_law import Laws, temperature_laws
from replay.wear.indicators import NOTHING
from replay.wear.units.limits import limit_for, limits
from replay.wear.units.maintenance import maintenance

FALSE_DISCOVERIES = 0.02
"""Accepted share of false ones among a unit's trends reported as worse, and
among those reported as better. Of a unit in which nothing changes it is the
chance that anything is reported as worse."""

LEADING = 4.0
"""Weight of the indicators that a decision rests on, beside those that only
say more about it (`Indicator.leading`)."""

LATEST = datetime(9000, 1, 1, tzinfo=UTC)

Result = Literal["rising", "falling", "steady", "too-few"]


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

    The result is kept in the archive until the indicators change; after a new
    maintenance note or limit only the histories that it touches are judged again.

    Parameters
    ----------
    archive : Archive
        Its ``indicators`` table is read as it is; `replay.wear.indicators`
        brings it up to date.
    joint, indicator, serial, arm : str, optional
        Show only these; the results do not depend on it.
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
    notes, bounds = maintenance(archive), limits(archive)
    works = trend_cache.splitting(notes)
    kept = trend_cache.read(archive, against)
    stale = [] if kept is None else kept.stale(works, bounds)
    if kept is not None and not stale:
        found = kept.trends
    else:
        table = trend_cache.indicator_rows(archive)
        if kept is None:
            found = judge(table, notes, bounds, against=against)
        else:
            found = _judged_again(kept.trends, stale, table, notes, bounds, against)
        trend_cache.write(archive, against, trend_cache.Kept(found, works, bounds))
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
        Limits as `replay.wear.units.limits.limits` returns them.
    against : str
    """
    return _settled(_looked_at(table, notes, bounds, against, temperature_laws(table)))


def _judged_again(
    known: Sequence[Trend],
    stale: Sequence[Trend],
    table: pl.DataFrame,
    notes: pl.DataFrame,
    bounds: dict[str, float],
    against: str,
) -> list[Trend]:
    """Return all trends when some histories must be looked at anew."""
    again = {(t.serial, t.indicator) for t in stale}
    counted = [n for n in table["indicator"].unique() if describe(n).counts_use]
    part = table.filter(
        pl.col("serial").is_in(sorted({s for s, _ in again}))
        & pl.col("indicator").is_in([*sorted({i for _, i in again}), *counted])
    )
    fresh = [
        t
        for t in _looked_at(part, notes, bounds, against, temperature_laws(table))
        if (t.serial, t.indicator) in again
    ]
    return _settled([t for t in known if (t.serial, t.indicator) not in again] + fresh)


def _looked_at(
    table: pl.DataFrame,
    notes: pl.DataFrame,
    bounds: dict[str, float],
    against: str,
    laws: Laws,
) -> list[Trend]:
    """Return every history's trend, still without what the others say about its result."""
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    # The matrices have ten columns: several threads would mostly wait for each other.
    with threadpool_limits(limits=1, user_api="blas"):
        return [
            _trend(a, against, limit_for(bounds, a.history.serial, a.history.indicator))
            for a in assessments(table, notes, bounds, against=against, laws=laws)
        ]


def _settled(found: Sequence[Trend]) -> list[Trend]:
    """Return the trends with results, the false discovery rate held over each unit's."""
    settled = [
        t if t.p_value is None else _with_result(t, float(p))
        for t, p in zip(found, _adjusted(found), strict=True)
    ]
    return sorted(settled, key=lambda t: (t.arm, t.joint, t.serial, t.indicator))


def _with_result(t: Trend, adjusted: float) -> Trend:
    assert t.slope_per_year is not None
    result: Result = "steady"
    reason = ""
    if not adjusted <= FALSE_DISCOVERIES:
        reason = "no trend beyond chance"
    elif not t.detail["matters"]:
        reason = "a trend, but too small over the history to matter"
    else:
        result = "rising" if t.detail["slope"] > 0 else "falling"
    return replace(
        t,
        result=result,
        since=None if result == "steady" else t.detail["moved_since"],
        detail=t.detail | {"reason": reason, "adjusted_p_value": adjusted},
    )


def assessments(
    table: pl.DataFrame,
    notes: pl.DataFrame,
    bounds: dict[str, float],
    *,
    against: str = "time",
    laws: Laws | None = None,
) -> Iterable[Assessment]:
    """Yield every history of a table, judged by itself."""
    if not table.height:
        return
    table = table.filter(pl.col("indicator") != NOTHING)
    use = use_so_far(table, against) if against != "time" else pl.DataFrame()
    counted = [n for n in table["indicator"].unique() if describe(n).counts_use]
    tested = table.filter(~pl.col("indicator").is_in(counted))
    for history in histories(tested, notes, against=against, use=use, laws=laws):
        yield assess(history, limit=limit_for(bounds, history.serial, history.indicator))


def _trend(a: Assessment, against: str, limit: float | None) -> Trend:
    h = a.history
    common: dict[str, Any] = {
        "joint": h.joint,
        "indicator": h.indicator,
        "unit": h.unit,
        "serial": h.serial,
        "arm": h.arm,
        "n": a.n,
    }
    last = float(h.adjusted.values[-1])
    detail: dict[str, Any] = {
        "against": against,
        "axis_unit": h.axis_unit,
        "first": h.when(0),
        "last": h.when(h.n - 1),
        "sessions": h.n,
        "corrected_for": list(h.adjusted.terms),
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
            result="too-few",
            last_value=last,
            detail=detail | {"reason": a.reason},
        )
    per_year = _per_year(h)
    detail |= {
        "reason": "",
        "matters": bool(a.matters),
        "moved_since": None if a.since is None else h.when(a.since),
        "variance_factor": a.variance_factor,
        "level": a.level,
        "change": a.change,
        "change_share": a.change / abs(a.level - a.change) if a.level != a.change else None,
        "slope": a.slope.slope,
        "slope_axis_low": a.slope.low,
        "slope_axis_high": a.slope.high,
        "condition_effects": h.adjusted.effect,
        "reference": h.adjusted.reference,
        "sections": len(numbers_of(h.sections)),
    }
    if a.shape is not None:
        detail["shape"] = a.shape.word
        detail["steps"] = [
            {"at": h.when(_index(h, at)), "size": size}
            for at, size in zip(a.shape.steps, a.shape.sizes, strict=True)
        ]
    if a.asked:
        detail["questions"] = [_question(h, step) for step in a.asked]
    if limit is not None and a.projection is not None:
        detail["projection"] = _dated(a.projection, h, against)
    return Trend(
        **common,
        slope_per_year=a.slope.slope * per_year,
        slope_low=a.slope.low * per_year,
        slope_high=a.slope.high * per_year,
        p_value=a.p_value,
        result="steady",
        last_value=last,
        detail=detail,
    )


def _adjusted(found: Sequence[Trend]) -> npt.NDArray[np.float64]:
    """Return the adjusted p-value of the way each trend goes.

    Two questions are asked of the histories of a unit, each with its own false
    discovery rate: which get worse, and which get better. Both are one-sided, so
    a unit that wears is not held back by the chance that it might have improved.
    Where either way is worse, both tails count.
    """
    weights = [LEADING if describe(t.indicator).leading else 1.0 for t in found]
    worse, better = np.full(len(found), np.nan), np.full(len(found), np.nan)
    goes_worse = np.zeros(len(found), dtype=bool)
    for k, t in enumerate(found):
        if t.p_value is None:
            continue
        way = describe(t.indicator).worse
        if way == "either":
            worse[k], goes_worse[k] = t.p_value, True
            continue
        goes_worse[k] = (t.detail["slope"] > 0) == (way == "up")
        with_it, against_it = t.p_value / 2, 1 - t.p_value / 2
        worse[k], better[k] = (with_it, against_it) if goes_worse[k] else (against_it, with_it)
    adjusted = np.full(len(found), np.nan)
    weight = np.array(weights)
    for own in _families(found):
        adjusted[own] = np.where(
            goes_worse[own],
            adjusted_p_values(worse[own], weight[own]),
            adjusted_p_values(better[own], weight[own]),
        )
    return adjusted


def _families(found: Sequence[Trend]) -> list[npt.NDArray[np.int64]]:
    """Return the places of the trends that share a false discovery rate: a unit's."""
    units: dict[str, list[int]] = {}
    for k, t in enumerate(found):
        units.setdefault(t.serial, []).append(k)
    return [np.array(own, dtype=np.int64) for own in units.values()]


def _question(h: History, step: UnloggedStep) -> dict[str, Any]:
    """Return what a person is asked about a step that no maintenance note explains."""
    after, before = h.when(max(step.after, 0)), h.when(step.before)
    level = float(np.median(np.abs(h.adjusted.values)))
    share = f" ({step.size / level:+.0%})" if level > 0 else ""
    went = "rose" if step.size > 0 else "fell"
    return {
        "after": after.isoformat(),
        "before": before.isoformat(),
        "size": step.size,
        "question": f"was something done between {after:%Y-%m-%d} and {before:%Y-%m-%d}? "
        f"{h.indicator} {went} by {abs(step.size):.3g} {h.unit}{share}",
    }


def spark(h: History, points: int = 36) -> list[float]:
    """Return a history in few medians, evenly many sessions each, for a small picture."""
    parts = np.array_split(h.adjusted.values, min(points, h.n))
    return [float(np.median(p)) for p in parts]


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
