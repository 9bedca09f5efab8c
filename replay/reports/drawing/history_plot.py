"""One indicator of one unit over the years: sessions, trend, limit, maintenance."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from replay.records import Trend
from replay.reports.drawing.canvas import FAINT, INK, drawn

ALONE = timedelta(days=45)
"""Shown about what stands on one day alone."""


def shown_dates(dates: Sequence[datetime]) -> tuple[datetime, datetime]:
    """Return from when to when a plot of these dates goes, without a time zone.

    One session stands in three months, not in the five years that would be taken for it.

    >>> first, last = shown_dates([datetime(2032, 3, 3), datetime(2032, 3, 3)])
    >>> (last - first).days
    90
    """
    bare = [d.replace(tzinfo=None) for d in dates]
    first, last = min(bare), max(bare)
    room = max((last - first) / 25, timedelta(0) if last - first > ALONE else ALONE)
    return first - room, last + room


def history_plot(
    points: pl.DataFrame, notes: pl.DataFrame, trend: Trend | None, limit: float | None, title: str
) -> str:
    """Return an SVG of a unit's indicator; error bars are two standard errors.

    Parameters
    ----------
    points : DataFrame
        ``start``, ``value`` and ``se``, a row a session.
    notes : DataFrame
        Maintenance notes: ``date`` and ``what``.
    trend : Trend, optional
    limit : float, optional
        In the indicator's unit.
    title : str
    """
    from matplotlib.dates import AutoDateFormatter, AutoDateLocator

    locator = AutoDateLocator(minticks=3, maxticks=8)  # type: ignore[no-untyped-call]
    written = AutoDateFormatter(locator)  # type: ignore[no-untyped-call]
    unit = trend.unit if trend is not None else ""

    def paint(figure: Any, axes: Any) -> None:
        axis = axes[0]
        when = points["start"].dt.replace_time_zone(None).to_numpy()
        value = points["value"].to_numpy()
        doubt = np.nan_to_num(points["se"].fill_null(0.0).to_numpy())
        axis.errorbar(
            when, value, yerr=2 * doubt, fmt="o", markersize=3, color=INK, elinewidth=0.5,
            label="session, ± 2 SE",
        )  # fmt: skip
        if trend is not None and trend.slope_per_year is not None and len(when) > 1:
            years = (when - when[-1]) / np.timedelta64(365 * 86400 + 20926, "s")
            middle = np.nanmedian(value - trend.slope_per_year * years)
            axis.plot(
                when, middle + trend.slope_per_year * years, color=FAINT, linestyle="--",
                label=f"trend: {trend.result}",
            )  # fmt: skip
        if limit is not None:
            axis.axhline(limit, color=INK, linestyle="-.", linewidth=1.0, label="limit")
        for number, note in enumerate(notes.iter_rows(named=True)):
            axis.axvline(
                note["date"].replace(tzinfo=None), color=FAINT, linestyle=":", linewidth=1.0,
                label="maintenance" if number == 0 else None,
            )  # fmt: skip
        axis.set_ylabel(unit)
        axis.set_title(title)
        axis.set_xlabel("date of the session (UTC)")
        if len(when):
            axis.set_xlim(*shown_dates([*points["start"], *notes["date"]]))
        axis.xaxis.set_major_locator(locator)
        axis.xaxis.set_major_formatter(written)  # dates as fine as the ticks are
        axis.legend(loc="upper left", bbox_to_anchor=(1.0, 1.02), borderaxespad=0.3)

    return drawn(1, 1.5, paint)
