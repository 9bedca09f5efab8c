"""All histories of an archive judged, unit by unit.

The false discovery rate is held over the indicators of one joint unit: what is
asked of a unit is the same however many others there are, whatever is noted or
measured of them, and whichever of them is asked for.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Literal

import polars as pl

from replay.archive import Archive
from replay.errors import UsageError
from replay.records import Trend
from replay.wear.assessment import trend_cache
from replay.wear.assessment.assessing import Assessment, assess
from replay.wear.assessment.families import p_values_of_families
from replay.wear.assessment.places import without_dates_of_the_removed
from replay.wear.assessment.trend_record import trend_record
from replay.wear.catalogue import USE_AXES, describe
from replay.wear.histories.history import histories, use_so_far
from replay.wear.histories.kind_law import Laws
from replay.wear.histories.kind_laws import kind_laws
from replay.wear.indicators import NOTHING
from replay.wear.units.limits import limit_for, limits
from replay.wear.units.maintenance import maintenance

FALSE_DISCOVERIES = 0.02
"""Accepted share of false ones among a unit's trends reported as worse, and
among those reported as better. Of a unit in which nothing changes it is the
chance that anything is reported as worse."""


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
        Maintenance notes, columns as in `replay.wear.units.maintenance.SCHEMA`.
    bounds : dict of str to float
        Limits as `replay.wear.units.limits.limits` returns them, in the indicators' units.
    against : str
        One of ``"time"``, ``"travel"``, ``"brake-cycles"``, ``"work"``; as for `trends`.

    Returns
    -------
    list of Trend
        One a joint unit and indicator.
    """
    return _settled(_looked_at(table, notes, bounds, against, kind_laws(table)))


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
        for t in _looked_at(part, notes, bounds, against, kind_laws(table))
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
            trend_record(a, against, limit_for(bounds, a.history.serial, a.history.indicator))
            for a in assessments(table, notes, bounds, against=against, laws=laws)
        ]


def _settled(found: Sequence[Trend]) -> list[Trend]:
    """Return the trends with results, the false discovery rate held over each unit's."""
    settled = [
        t if t.p_value is None else _with_result(t, float(p))
        for t, p in zip(found, p_values_of_families(found), strict=True)
    ]
    settled = without_dates_of_the_removed(settled)
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
    use = use_so_far(table, against) if against != "time" else pl.DataFrame()
    untested = [n for n in table["indicator"].unique() if n == NOTHING or describe(n).counts_use]
    tested = table.filter(~pl.col("indicator").is_in(untested)) if untested else table
    for history in histories(tested, notes, against=against, use=use, laws=laws):
        yield assess(history, limit=limit_for(bounds, history.serial, history.indicator))
