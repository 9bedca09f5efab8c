"""What is told of one assessed history: its trend as a record with dates and words."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import numpy as np

from replay.records import Trend
from replay.statistics.spread import median
from replay.wear.assessment.assessing import CONFIDENCE, Assessment
from replay.wear.assessment.projection import Projection
from replay.wear.assessment.questions import UnloggedStep
from replay.wear.assessment.saying import LATEST
from replay.wear.catalogue import describe
from replay.wear.histories.aggregation import numbers_of
from replay.wear.histories.history import YEAR_US, History, instant


def trend_record(a: Assessment, against: str, limit: float | None) -> Trend:
    """Return the trend that a history shows; dates, projection and questions in its detail."""
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
        detail["projection"] = _dated(a, a.projection, h, against)
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
    return [median(p) for p in parts]


def _per_year(h: History) -> float:
    """Return axis units per year: 1 for time, mean use per year otherwise."""
    if h.axis_unit == "year":
        return 1.0
    years = float(h.start_us[-1] - h.start_us[0]) / YEAR_US
    return float(h.axis[-1] - h.axis[0]) / years if years > 0 else float("nan")


def _index(h: History, at: float) -> int:
    return min(int(np.searchsorted(h.axis, at - 1e-12)), h.n - 1)


def _dated(a: Assessment, p: Projection, h: History, against: str) -> dict[str, Any]:
    """Return a projection for JSON: values on the axis, and dates at the mean use.

    ``date_line`` is where the straight trend alone meets the limit: the laws that are
    averaged may bend, and their median may lie elsewhere.
    """
    per_year = _per_year(h)
    line = _met_by_line(a, p)

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
        "date_line": date(line),
        "remaining_years_line": remaining(line),
        "confidence": CONFIDENCE,
        "chance": p.chance,
        "horizon": date(p.horizon),
        "laws": [{"law": law, "weight": round(w, 4)} for law, w in p.laws],
    }
    if against != "time":
        made |= {"use": p.median, "use_low": p.low, "use_high": p.high}
    return made


def _met_by_line(a: Assessment, p: Projection) -> float | None:
    """Return where on the axis the trend's own line meets the limit, ahead of the last session."""
    if a.slope is None or not a.slope.slope or p.word == "passed":
        return None
    ahead = (p.limit - a.level) / a.slope.slope
    return float(a.history.axis[-1]) + ahead if ahead > 0 else None
