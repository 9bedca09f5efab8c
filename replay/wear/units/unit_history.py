"""One unit's indicator in full: points, trend, chart, notes; what a page shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from replay.archive import Archive
from replay.errors import UsageError
from replay.records import Trend
from replay.wear.assessment import trend_cache
from replay.wear.assessment.assessing import Assessment, assess
from replay.wear.assessment.control_charts import Chart, Cusum, cusum, ewma, moving_range_sigma
from replay.wear.assessment.trends import trends
from replay.wear.catalogue import USE_AXES
from replay.wear.histories.history import Floats, History, histories, use_so_far
from replay.wear.histories.kind_law import Laws
from replay.wear.histories.kind_laws import kind_laws
from replay.wear.indicators import SCHEMA
from replay.wear.units.limits import limit_for, limits
from replay.wear.units.maintenance import maintenance

LEARNING = 20
"""Sessions, at most a third of a history, that say what is usual on the chart."""
CHART_WEIGHT = 0.2
CUSUM_SLACK, CUSUM_LIMIT = 0.5, 5.0
"""k and h of the cumulative sum in standard deviations: a shift of one is looked
for, and without any a false alarm comes about once in 465 sessions (the usual
choice in the handbook's table, from memory)."""


@dataclass(frozen=True, slots=True)
class UnitHistory:
    """Everything about one indicator of one unit."""

    history: History
    assessment: Assessment
    trend: Trend | None
    """As judged within the whole archive."""
    points: pl.DataFrame
    """session, start, at, joint, axis, value, se, adjusted, section, average."""
    chart: Chart | None
    """Exponentially weighted average of the adjusted values, and its limits."""
    cusum: Cusum | None
    """Cumulative sums of the same values, in standard deviations."""
    notes: pl.DataFrame


def unit_history(
    archive: Archive, serial: str, indicator: str, *, against: str = "time"
) -> UnitHistory:
    """Return one history with all that is drawn of it.

    Parameters
    ----------
    archive : Archive
    serial : str
        Key of the unit, see `records.Session.unit`.
    indicator : str
        Name of the indicator.
    against : str
        ``time``, ``travel``, ``brake-cycles`` or ``work``.

    Returns
    -------
    UnitHistory
        Points, trend, control charts and notes.

    Raises
    ------
    UsageError
        When the archive has no such indicator of that unit, or wear cannot be
        drawn against that.
    """
    if against != "time" and against not in USE_AXES:
        raise UsageError(
            f"wear cannot be drawn against {against!r}", todo=f"time, {', '.join(USE_AXES)}"
        )
    rows = _rows(archive, serial, indicator, against)
    own = rows.filter(pl.col("indicator") == indicator)
    notes = maintenance(archive, serial)
    use = use_so_far(rows, against) if against != "time" else pl.DataFrame()
    known = trends(archive, serial=serial, indicator=indicator, against=against)
    laws = _laws(archive, serial, indicator, against)
    history = next(iter(histories(own, notes, against=against, use=use, laws=laws)), None)
    if history is None:
        raise UsageError(
            f"there is no {indicator!r} of unit {serial!r}",
            todo="`jointbook wear` lists what there is",
        )
    assessment = assess(history, limit=limit_for(limits(archive), serial, indicator))
    usual = _usual(history)
    chart = watch(history)
    return UnitHistory(
        history=history,
        assessment=assessment,
        trend=known[0] if known else None,
        points=_points(history, own, chart),
        chart=chart,
        cusum=None
        if usual is None
        else cusum(
            (usual.values - usual.middle) / usual.sigma,
            target=0.0,
            k=CUSUM_SLACK,
            h=CUSUM_LIMIT,
        ),
        notes=notes,
    )


def watch(history: History) -> Chart | None:
    """Return the moving average chart of a history's latest section.

    The usual level and spread are those of the section's first sessions: at
    most `LEARNING`, at most a third of them. Spread from moving ranges, as
    for the chart of individuals.
    """
    usual = _usual(history)
    if usual is None:
        return None
    return ewma(
        usual.values,
        target=usual.middle,
        sigma=usual.sigma,
        weight=CHART_WEIGHT,
        start_up=True,
    )


@dataclass(frozen=True, slots=True)
class _Usual:
    values: Floats
    """Adjusted values of the latest section."""
    middle: float
    sigma: float


def _usual(history: History) -> _Usual | None:
    values = history.adjusted.values[history.sections == history.sections[-1]]
    first = min(LEARNING, len(values) // 3)
    if first < 5:
        return None
    usual = values[:first]
    sigma = moving_range_sigma(usual)
    return _Usual(values, float(np.median(usual)), sigma) if sigma > 0 else None


def _rows(archive: Archive, serial: str, indicator: str, against: str) -> pl.DataFrame:
    wanted = [indicator] if against == "time" else [indicator, USE_AXES[against][0]]
    rows = archive.rows_of_units("indicators", [serial])
    return _whole(rows.lazy().filter(pl.col("indicator").is_in(wanted)))


def _laws(archive: Archive, serial: str, indicator: str, against: str) -> Laws:
    """Return what others of its kind told the unit when it was judged: how temperature acts.

    An archive that cannot be written keeps nothing: there the rows of all units are read.
    """
    kept = trend_cache.read(archive, against, {serial})
    if kept is not None:
        law = kept.law(serial, indicator)
        return {} if law is None else {(serial, indicator): law}
    table = archive.scan_table("indicators")
    if table is None:
        return {}
    return kind_laws(_whole(table.filter(pl.col("indicator") == indicator)))


def _whole(table: pl.LazyFrame) -> pl.DataFrame:
    """Return all columns; those that an earlier program did not write are empty."""
    there = table.collect_schema()
    missing = [pl.lit(None, dtype=d).alias(c) for c, d in SCHEMA.items() if c not in there]
    return table.with_columns(missing).select(list(SCHEMA)).collect()


def _points(history: History, own: pl.DataFrame, chart: Chart | None) -> pl.DataFrame:
    last = own.filter(pl.col("value").is_finite()).sort("start", "session").tail(history.n)
    average: Floats = np.full(history.n, np.nan)
    if chart is not None:
        average[history.n - len(chart.statistic) :] = chart.statistic
    return last.select("session", "start", "at", "joint").with_columns(
        pl.Series("axis", history.axis),
        pl.Series("value", history.values),
        pl.Series("se", history.se),
        pl.Series("adjusted", history.adjusted.values),
        pl.Series("section", history.sections),
        pl.Series("average", average),
    )
