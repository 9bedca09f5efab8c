"""Drawings of wear: one history in full, and small pictures of many.

Longer than 245 lines because the traces of one figure share its axes, and each is read against
the others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Protocol
from urllib.parse import quote

import numpy as np
import plotly.graph_objects as go
import polars as pl

from dashboards.figures.instants import ROW_PX, mark_instants
from dashboards.figures.style import (
    BAR,
    FADED,
    LIMIT,
    LIMIT_LINE,
    ink,
    joint_ink,
    joint_symbol,
    line,
    settle,
)
from replay.records import Trend

YEAR_S = 365.25 * 86400.0
SHOWN_SE = 1.6449
"""Error bars reach this many standard errors: 90 %, as every interval here."""


class DrawnHistory(Protocol):
    """What is drawn of one indicator of one unit: the engine's `replay.wear.UnitHistory`.

    Figures know no engine; they say here what they need of it.
    """

    @property
    def history(self) -> Any:
        """Values along an axis, by section, raw and adjusted."""

    @property
    def assessment(self) -> Any:
        """Slope, interval and projection."""

    @property
    def trend(self) -> Trend | None:
        """The trend as judged within the whole archive."""

    @property
    def points(self) -> pl.DataFrame:
        """One row a session."""

    @property
    def chart(self) -> Any:
        """Control chart of the adjusted values, if any."""

    @property
    def notes(self) -> pl.DataFrame:
        """Maintenance notes of the unit."""


def history_figure(
    found: DrawnHistory, *, to_limit: bool = True, small: bool = False, place: int | None = None
) -> go.Figure:
    """Draw one history: sessions, trend with interval, limit, steps, maintenance.

    With ``to_limit`` the axes reach to where the projection meets its limit, else only
    some way beyond the sessions. A point's ``customdata`` is (session, instant in ns,
    joint): where to look. A ``small`` one has no legend and its unit alone at the axis.
    ``place`` is the joint's in its arm, from 0: its sessions have the mark and colour that it
    has everywhere.
    """
    colours = ink("accent") if place is None else joint_ink(place)
    points, trend = found.points, found.trend
    figure = go.Figure()
    by_time = found.history.axis_unit == "year"
    scale, unit = found.history.shown_axis
    x: Any = points["start"].to_numpy() if by_time else scale * points["axis"].to_numpy()
    # An array: a list of ten thousand would be looked through item by item.
    look = np.empty((points.height, 3), dtype=object)
    look[:, 0], look[:, 1], look[:, 2] = points["session"], _instants(points), points["joint"]
    figure.add_trace(
        go.Scatter(
            x=x,
            y=points["value"].to_numpy(),
            mode="markers",
            name="as measured",
            marker={"symbol": "line-ew-open", "size": 7, "color": ink("faint")["light"]},
            opacity=FADED,
            meta=ink("faint"),
            customdata=look,
            hovertemplate="%{y:.4g} as measured<extra></extra>",
        )
    )
    figure.add_trace(
        go.Scatter(
            x=x,
            y=points["adjusted"].to_numpy(),
            error_y=_errors(points),
            mode="markers",
            name="under usual conditions",
            marker={**joint_symbol(place or 0, 7), "color": colours["light"]},
            meta=colours,
            customdata=look,
            hovertemplate="%{y:.4g}, session %{customdata[0]}<extra></extra>",
        )
    )
    average = points["average"].to_numpy()
    if np.isfinite(average).any():
        figure.add_trace(line(x, average, "moving average", ink("note"), width=1.2, dash="dot"))
    if trend is not None and trend.slope_per_year is not None:
        _add_trend(figure, found)
    _add_fan(figure, found, by_time)
    _add_limit(figure, found, by_time, scale)
    rows = mark_instants(figure, _notes(found), _shown_range(found, to_limit)) if by_time else 0
    settle(figure, hovermode="closest")
    if rows:  # their words stand between the plot and the legend
        figure.update_yaxes(domain=[0, 1 - (ROW_PX * rows + 4) / PLOT_HIGH_PX])
    figure.update_yaxes(
        title=found.history.unit if small else f"{found.history.indicator}, {found.history.unit}",
        range=_shown_values(found, to_limit),
    )
    if small:
        figure.update_layout(showlegend=False, margin={"t": 18, "b": 24})
    figure.update_xaxes(title="" if by_time else f"use, {unit}")
    if by_time:
        figure.update_xaxes(range=_shown_range(found, to_limit))
    return figure


PLOT_HIGH_PX = 150.0
"""Height, at least, that a legend of many lines leaves: the words' room is a share of it."""

REACH_SPANS = 12.0
"""A limit further ahead than so many times the history is not drawn to."""


def reaches_limit(found: DrawnHistory) -> bool:
    """Say whether there is a projection that can be drawn to its limit."""
    return _limit_date(found) is not None


def _limit_date(found: DrawnHistory) -> datetime | None:
    """Return the date to which the projection is drawn: the limit's median, else its early end."""
    projection = found.trend.detail.get("projection") if found.trend is not None else None
    if not projection or found.history.axis_unit != "year":
        return None
    first, last = found.history.when(0), found.history.when(found.history.n - 1)
    for name in ("date", "date_low"):
        at: datetime | None = projection.get(name)
        if at is not None and last < at <= last + REACH_SPANS * max(
            last - first, timedelta(days=30)
        ):
            return at
    return None


ALONE = timedelta(days=45)
"""Shown about a session that is the only one."""


def _shown_range(found: DrawnHistory, to_limit: bool) -> list[datetime]:
    """Return the dates shown first: the history, and what lies ahead.

    Up to the limit, where asked for; else as far as the limit's dates lie within as long
    again as the history.
    """
    first, last = found.history.when(0), found.history.when(found.history.n - 1)
    span = max(last - first, timedelta(days=1))
    if first == last:  # one session: a date, not fractions of its second
        return [first - ALONE, last + ALONE]
    end = last
    projection = found.trend.detail.get("projection") if found.trend is not None else None
    for name in ("date_low", "date", "date_high"):
        at = projection.get(name) if projection else None
        if at is not None and end < at <= last + span:
            end = at
    reached = _limit_date(found) if to_limit else None
    if reached is not None:
        end = max(end, reached)
    room = (end - first) / 25
    return [first - room, end + room]


LONG_BAR = 3.0
"""A session's bar longer than this many usual ones runs off the axes at first."""

LIMIT_IN_SIGHT = 2.0
"""A limit further from the values than this many of their spans is not drawn first."""


def _shown_values(found: DrawnHistory, to_limit: bool) -> list[float]:
    """Return the values shown first: sessions' bars, trend's band, and the limit unless far.

    The bar of one session that hardly moved would otherwise press all others
    into a line (`LONG_BAR`); it is there in full when one zooms out.
    """
    both = np.concatenate([found.history.values, found.history.adjusted.values, _reached(found)])
    low, high = float(np.min(both)), float(np.max(both))
    span = max(high - low, 0.05 * abs(high), 1e-12)
    limit = (found.trend.detail.get("projection") or {}).get("limit") if found.trend else None
    near = (
        limit is not None and low - LIMIT_IN_SIGHT * span <= limit <= high + LIMIT_IN_SIGHT * span
    )
    if limit is not None and (near or (to_limit and _limit_date(found) is not None)):
        low, high = min(low, limit), max(high, limit)
        span = high - low
    return [low - 0.08 * span, high + 0.08 * span]


def _reached(found: DrawnHistory) -> Any:
    """Return the ends of the bars that are drawn whole, and of the trend's band."""
    ends = [np.zeros(0)]
    if _errors(found.points) is not None:
        half = np.nan_to_num(SHOWN_SE * found.points["se"].to_numpy())
        usual = np.median(half[half > 0]) if (half > 0).any() else 0.0
        whole = half <= LONG_BAR * usual
        middle = found.points["adjusted"].to_numpy()[whole]
        ends += [middle - half[whole], middle + half[whole]]
    if found.trend is not None and found.trend.slope_per_year is not None:
        band = _band(found)
        ends += [] if band is None else [band.low, band.high]
    every = np.concatenate(ends)
    return every[np.isfinite(every)]


def _instants(points: pl.DataFrame) -> list[str]:
    """Return nanoseconds as text: a browser's numbers are not that exact."""
    at = points.select(pl.col("at").fill_null(pl.col("start")).dt.timestamp("us"))["at"]
    return [f"{v}000" for v in at]


def _errors(points: pl.DataFrame) -> dict[str, Any] | None:
    se = points["se"].to_numpy()
    if not np.isfinite(se).any() or len(se) > 400:
        return None
    return {
        "type": "data",
        "array": np.nan_to_num(SHOWN_SE * se),
        "thickness": 0.8,
        "width": 0,
        "color": BAR,
    }


@dataclass(frozen=True, slots=True)
class _Band:
    """The trend's line at its ends and middle, with the band of its slope; shape (3,)."""

    axis: Any
    line: Any
    low: Any
    high: Any


def _band(found: DrawnHistory) -> _Band | None:
    """Return the slope through the middle of the sessions that it rests on."""
    history, slope = found.history, found.assessment.slope
    if slope is None:
        return None
    first = history.n - found.assessment.n
    axis, y = history.axis[first:], history.adjusted.values[first:]
    middle = float(np.median(axis))
    level = float(np.median(y - slope.slope * (axis - middle)))
    ends = np.array([axis[0], middle, axis[-1]])
    sides = level + np.outer((slope.low, slope.high), ends - middle)
    return _Band(ends, level + slope.slope * (ends - middle), sides.min(axis=0), sides.max(axis=0))


def _add_trend(figure: go.Figure, found: DrawnHistory) -> None:
    """Draw the trend and the band of its slope."""
    told, history = _band(found), found.history
    if told is None:
        return
    shown: list[Any] = list(history.shown_axis[0] * told.axis)
    if history.axis_unit == "year":
        shown = [_date(history.when(0), v) for v in told.axis]
    band = {**ink("band"), "light_fill": ink("band")["light"], "dark_fill": ink("band")["dark"]}
    figure.add_trace(
        go.Scatter(
            x=[*shown, *shown[::-1]],
            y=[*told.high, *told.low[::-1]],
            fill="toself",
            fillcolor=band["light"],
            line={"width": 0, "color": band["light"]},
            name="90 % of the slope",
            meta=band,
            hoverinfo="skip",
        )
    )
    figure.add_trace(line(shown, told.line, "trend", ink("ink"), width=2))


def _removed(found: DrawnHistory) -> bool:
    """Tell whether the unit is out, so that nothing of it lies ahead."""
    projection = found.trend.detail.get("projection") if found.trend is not None else None
    return projection is not None and projection["word"] == "removed"


def _add_fan(figure: go.Figure, found: DrawnHistory, by_time: bool) -> None:
    """Draw the projection from the last session to its limit, with the fan of its interval."""
    projection = found.assessment.projection
    if projection is None or not projection.fan or _removed(found):
        return
    at, low, middle, high = (np.array(v) for v in zip(*projection.fan, strict=True))
    history = found.history
    x: list[Any] = list(history.shown_axis[0] * at)
    if by_time:
        x = [_date(history.when(0), float(v - history.axis[0])) for v in at]
    band = {"light": "rgba(166, 58, 0, 0.16)", "dark": "rgba(255, 154, 102, 0.20)"}
    band |= {"light_fill": band["light"], "dark_fill": band["dark"]}
    figure.add_trace(
        go.Scatter(
            x=[*x, *x[::-1]],
            y=[*high, *low[::-1]],
            fill="toself",
            fillcolor=band["light"],
            line={"width": 0, "color": band["light"]},
            name="fan, 90 % of what fits",
            meta=band,
            hoverinfo="skip",
        )
    )
    colours = {"light": LIMIT, "dark": "#ff9a66"}
    figure.add_trace(line(x, middle, "projection, median", colours, width=1.6, dash="dash"))


def _told_to(found: DrawnHistory, projection: dict[str, Any], by_time: bool) -> Any:
    """Return how far ahead a crossing was looked for, on the axis of the projection."""
    if by_time:
        return projection.get("horizon")
    made = found.assessment.projection
    return None if made is None else made.horizon


def _add_limit(figure: go.Figure, found: DrawnHistory, by_time: bool, scale: float) -> None:
    trend = found.trend
    projection = trend.detail.get("projection") if trend is not None else None
    if not projection:
        return
    limit = projection["limit"]
    figure.add_hline(y=limit, line={"color": LIMIT_LINE, "width": 1.4, "dash": "longdash"})
    names = ("date_low", "date", "date_high") if by_time else ("use_low", "use", "use_high")
    low, middle, high = (projection.get(name) for name in names)
    told = "limit reached, 90 %"
    if low is not None and high is None:  # open: the bar runs on as far as anything is told
        high = _told_to(found, projection, by_time)
        led = middle is not None or (trend is not None and trend.result != "steady")
        told = "limit reached, not before (95 %)" if led else "not ruled out from here on"
    if not by_time:
        low, middle, high = (None if v is None else scale * v for v in (low, middle, high))
    known = [v for v in (low, middle, high) if v is not None]
    if not known:
        return
    colours = {"light": LIMIT, "dark": "#ff9a66"}
    figure.add_trace(line(known, [limit] * len(known), told, colours, width=6, opacity=FADED))
    if middle is not None:
        figure.add_trace(
            go.Scatter(
                x=[middle],
                y=[limit],
                mode="markers",
                name="median",
                marker={"symbol": "diamond", "size": 10, "color": colours["light"]},
                meta=colours,
                showlegend=False,
                hovertemplate="limit reached, median<extra></extra>",
            )
        )


def _notes(found: DrawnHistory) -> list[tuple[datetime, str, str]]:
    """Return what was done to the unit and where its level stepped: instant, word, dash."""
    notes = [(row["date"], row["what"], "dash") for row in found.notes.iter_rows(named=True)]
    steps = (found.trend.detail.get("steps") or []) if found.trend is not None else []
    return notes + [(step["at"], "step", "dot") for step in steps]


def _date(first: datetime, years: float) -> datetime:
    return first.astimezone(UTC) + timedelta(seconds=float(years) * YEAR_S)


def spark_mask(values: Sequence[float], width: int = 96, height: int = 26) -> str:
    """Return a small line picture as an address for a CSS mask, in one colour.

    The scale is the history's own, but never finer than a tenth of its level,
    so that noise about a steady level looks like noise. A single wild point is
    drawn at the edge.
    """
    y = np.asarray(values, dtype=float)
    if not len(y):
        return ""
    middle = float(np.median(y))
    usual = float(np.quantile(np.abs(y - middle), 0.9))
    if usual > 0:
        y = np.clip(y, middle - 2 * usual, middle + 2 * usual)
    half = max(float(np.max(np.abs(y - middle))), 0.05 * abs(middle), 1e-12)
    across = np.linspace(2, width - 2, len(y)) if len(y) > 1 else np.array([width / 2])
    down = height / 2 - (y - middle) / half * (height / 2 - 3)
    path = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(across, down, strict=True))
    picture = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        'preserveAspectRatio="none">'
        f'<polyline points="{path}" fill="none" stroke="#000" stroke-width="1.6" '
        'vector-effect="non-scaling-stroke"/>'
        f'<circle cx="{across[-1]:.1f}" cy="{down[-1]:.1f}" r="2.4"/></svg>'
    )
    return f'url("data:image/svg+xml,{quote(picture)}")'
