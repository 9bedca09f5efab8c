"""All histories of an archive judged, unit by unit.

The false discovery rate is held over the indicators of one joint unit: what is
asked of a unit is the same however many others there are, whatever is noted or
measured of them, and whichever of them is asked for.

Longer than 245 lines because what is judged anew, and with what, is one decision.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from typing import Literal

import polars as pl

from replay.archive import Archive
from replay.errors import UsageError
from replay.records import Trend
from replay.wear.assessment import trend_cache
from replay.wear.assessment.assessing import Assessment, assess
from replay.wear.assessment.families import p_values_of_families
from replay.wear.assessment.places import in_place_by_roll, without_dates_of_the_removed
from replay.wear.assessment.trend_cache import INDICATORS, Kept
from replay.wear.assessment.trend_record import trend_record
from replay.wear.catalogue import USE_AXES, describe
from replay.wear.histories.history import histories, use_so_far
from replay.wear.histories.kind_law import NEWCOMER, Laws
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
    serial: str | Collection[str] | None = None,
    arm: str | None = None,
    against: str = "time",
    standing: bool = False,
) -> list[Trend]:
    """Return the trend of every indicator of every unit.

    The result is kept in the archive until the indicators change; after a new
    maintenance note or limit only the histories that it touches are judged again. Of an
    indicator table beyond `trend_cache.WHOLE_BYTES` a unit that is asked for is judged
    with what the others told when all were judged last, and little else is read.

    Parameters
    ----------
    archive : Archive
        Its ``indicators`` table is read as it is; `replay.wear.indicators`
        brings it up to date.
    joint, indicator, arm : str, optional
        Show only these; the results do not depend on it.
    serial : str or collection of str, optional
        Show only this unit, or these.
    against : {"time", "travel", "brake-cycles", "work"}
        What wear is drawn against. ``slope_per_year`` is then the slope at the
        unit's mean use per year; the slope per use is in ``detail``.
    standing : bool
        Of a large table show the units as they were judged last, without judging anew
        those with newer sessions; how many these are says `unjudged`.

    Raises
    ------
    UsageError
        When ``against`` is none of these.
    """
    if against != "time" and against not in USE_AXES:
        raise UsageError(
            f"wear cannot be drawn against {against!r}", todo=f"time, {', '.join(USE_AXES)}"
        )
    wanted = {"joint": joint, "indicator": indicator, "arm": arm}
    asked = {serial} if isinstance(serial, str) else None if serial is None else set(serial)
    found = _as_of_now(archive, asked, against, standing)
    return [
        t
        for t in found
        if (asked is None or t.serial in asked)
        and all(v is None or getattr(t, k) == v for k, v in wanted.items())
    ]


def unjudged(archive: Archive, against: str = "time") -> int:
    """Return of how many units rows came or went since they were judged, in a large table."""
    if trend_cache.is_small(archive):
        return 0
    kept = trend_cache.read(archive, against)
    return 0 if kept is None else len(kept.touched)


def _as_of_now(
    archive: Archive, asked: set[str] | None, against: str, standing: bool
) -> list[Trend]:
    """Return kept trends, of some units or of all, after judging again what is no longer so."""
    notes, bounds = maintenance(archive), limits(archive)
    works = trend_cache.splitting(notes)
    mark = archive.tables.mark(INDICATORS)  # before the rows: they may be newer, never older
    kept = trend_cache.read(archive, against, asked)
    small = trend_cache.is_small(archive)
    if kept is None or (kept.behind and (small or (asked is None and not standing))):
        table = trend_cache.indicator_rows(archive)
        laws = kind_laws(table, newcomers=True)
        found = _settled(_looked_at(table, notes, bounds, against, laws))
        marks = {t.serial: mark for t in found} | {NEWCOMER: mark}
        whole = Kept(found, {}, marks, laws, frozenset(), behind=False)
        trend_cache.write(archive, against, whole, works, bounds)
        return found
    stale = kept.stale(works, bounds)
    newer = set() if asked is None else asked & kept.touched
    found = kept.trends
    if stale or newer:
        found = _judged_again(archive, kept, stale, newer, notes, bounds, against)
        units = newer | {s for s, _ in stale}
        marks = {**kept.marks} | dict.fromkeys(newer, mark)
        keys = [(t.serial, t.indicator) for t in found]
        laws = {**kept.laws, **{k: law for k in keys if (law := kept.law(*k)) is not None}}
        again = Kept(found, {}, marks, laws, frozenset(), kept.behind)
        trend_cache.write(archive, against, again, works, bounds, only=units)
    if kept.behind or (asked is not None and stale):  # who came to a place may not be among them
        found = without_dates_of_the_removed(found, in_place_by_roll(archive))
    return sorted(found, key=_place)


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
    archive: Archive,
    kept: Kept,
    stale: Collection[tuple[str, str]],
    newer: Collection[str],
    notes: pl.DataFrame,
    bounds: dict[str, float],
    against: str,
) -> list[Trend]:
    """Return all trends when some histories, and some units whole, must be looked at anew."""
    table = trend_cache.indicator_rows(archive, sorted({*newer, *(s for s, _ in stale)}))
    named = table.select("serial", "indicator").unique().rows()
    again = {key for key in named if key in stale or key[0] in newer}
    counted = [n for n in table["indicator"].unique() if describe(n).counts_use]
    part = table.filter(pl.col("indicator").is_in([*sorted({i for _, i in again}), *counted]))
    laws = {key: law for key in named if (law := kept.law(*key)) is not None}
    fresh = [
        t
        for t in _looked_at(part, notes, bounds, against, laws)
        if (t.serial, t.indicator) in again
    ]
    left = [
        t for t in kept.trends if t.serial not in newer and (t.serial, t.indicator) not in stale
    ]
    return _settled(left + fresh)


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
    return sorted(settled, key=_place)


def _place(t: Trend) -> tuple[str, str, str, str]:
    return t.arm, t.joint, t.serial, t.indicator


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
