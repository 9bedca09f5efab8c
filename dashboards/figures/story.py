"""The story of an event: one joint before, during and after, with brakes and pins.

Longer than 245 lines because its panels share one time axis and are laid out together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import numpy as np
import plotly.graph_objects as go
import polars as pl
from plotly.subplots import make_subplots

from dashboards.figures.event import has, seconds_after
from dashboards.figures.holes import of_channel
from dashboards.figures.style import FLAGGED, few_ticks, ink, joint_ink, line, settle

MOST_BAND = 3.0
"""A band so many times as high as the current's own range is cut: the current would be a line."""

HIGH = 1.3
"""A panel of a lower share has room for a few labels only."""

BESIDE = {"rate_deg_s": ("rate_cmd_deg_s",)}
"""What is drawn in a panel besides its own channel."""

JUMP = 1.5
"""A band that widens by this factor from one sample to the next has jumped."""


def story(
    rows: pl.DataFrame,
    zero: datetime,
    end: datetime,
    *,
    joint_index: int,
    brakes: Sequence[tuple[str, pl.DataFrame]] = (),
    pins: pl.DataFrame | None = None,
    angle_first: bool = False,
    lines: Mapping[str, pl.DataFrame] | None = None,
) -> go.Figure:
    """Draw before, during and after: rate, current, residual, brakes, temperature.

    Parameters
    ----------
    rows : polars.DataFrame
        Joint table with ``expected_a, low_a, high_a, residual``, rows of nothing where
        samples are missing.
    brakes : sequence of (word, spans)
        Runs with ``start, end, value``, drawn as ribbons.
    pins : polars.DataFrame
        ``start, end, text``.
    lines : mapping of str to polars.DataFrame, optional
        Channels on their own samples (``time`` and the channel), which are drawn instead of the
        rows': a lost current takes no angle away.
    """
    own = lines or {}

    def there(name: str) -> bool:
        return name in own or has(rows, name)

    def of(name: str) -> pl.DataFrame:
        return own[name] if name in own else of_channel(rows, name)

    panels = [("rate_deg_s", "rate<br>deg/s", 1.0)]
    if has(rows, "current_a") or not there("angle_deg"):
        panels.append(("current_a", "current<br>A", 1.5))
    if has(rows, "residual"):
        panels.append(("residual", "residual<br>spreads", 0.9))
    if there("angle_deg"):
        panels.append(("angle_deg", "angle<br>deg", 0.8))
    if angle_first and panels[-1][0] == "angle_deg":
        panels.insert(0, (*panels.pop()[:2], 1.4))  # what decides stands on top
    if brakes:
        panels.append(("brakes", "brake", 0.22 * len(brakes) + 0.15))
    if there("temperature_c"):
        panels.append(("temperature_c", "temp.<br>°C", 0.6))
    figure = make_subplots(
        rows=len(panels),
        cols=1,
        shared_xaxes=True,
        vertical_spacing=0.034,  # the labels of two panels do not touch
        row_heights=[share for _, _, share in panels],
    )
    x = seconds_after(rows["time"], zero)
    colours = joint_ink(joint_index)
    for number, (name, title, share) in enumerate(panels, 1):
        if name == "brakes":
            _ribbons(figure, number, brakes, zero)
        elif name == "current_a":
            _current(figure, number, rows, x, colours)
        else:
            if name == "rate_deg_s" and there("rate_cmd_deg_s"):
                told = of("rate_cmd_deg_s")
                commanded = line(
                    seconds_after(told["time"], zero), told["rate_cmd_deg_s"].to_numpy(),
                    "commanded rate", ink("faint"), dash="dot",
                )  # fmt: skip
                figure.add_trace(commanded, row=number, col=1)
            word = {"rate_deg_s": "rate", "temperature_c": "temperature", "angle_deg": "angle"}
            mine = of(name)
            figure.add_trace(
                line(
                    seconds_after(mine["time"], zero), mine[name].to_numpy(), word.get(name, name),
                    colours, showlegend=False,
                ),
                row=number,
                col=1,
            )  # fmt: skip
        figure.update_yaxes(title={"text": title, "font": {"size": 11}}, row=number, col=1)
        if name not in ("brakes", "current_a") and share < HIGH:  # more labels would touch
            drawn = [of(c)[c].to_numpy() for c in (name, *BESIDE.get(name, ())) if there(c)]
            figure.update_yaxes(nticks=few_ticks(*drawn), row=number, col=1)
    length = (end - zero).total_seconds()
    figure.add_vrect(x0=0, x1=max(length, 1e-3), fillcolor=FLAGGED, line_width=0, layer="below")
    settle(figure)
    for text, at, anchor in (("before", 0.0, "right"), ("after", length, "left")):
        figure.add_annotation(
            text=text, x=at, xref="x", y=1.0, yref="paper", yanchor="bottom", xanchor=anchor,
            showarrow=False, font={"size": 11}, xshift=-4 if anchor == "right" else 4,
        )  # fmt: skip
    _draw_pins(figure, pins, zero)
    figure.add_trace(line([None], [None], "measured", colours), row=1, col=1)  # of every panel
    figure.update_xaxes(
        title={"text": "seconds after the event's start", "standoff": 4, "font": {"size": 12}},
        row=len(panels), col=1,
    )  # fmt: skip
    figure.update_layout(
        legend={"x": 0, "xanchor": "left", "y": 1.035, "traceorder": "reversed"},
        margin={"l": 70, "t": 36, "b": 34},
    )
    return figure


def _current(
    figure: go.Figure, number: int, rows: pl.DataFrame, x: Any, colours: dict[str, str]
) -> None:
    if has(rows, "low_a"):
        band = {
            **ink("faint"),  # no joint's colour: nothing of it was measured
            "light_fill": "rgba(80,80,80,.17)",
            "dark_fill": "rgba(190,190,190,.24)",
        }
        at, level = outline(x, rows["low_a"].to_numpy(), rows["high_a"].to_numpy())
        figure.add_trace(
            go.Scatter(
                x=at,
                y=level,
                mode="lines",
                line={"width": 0},
                fill="toself",
                fillcolor=band["light_fill"],
                name="expected band",
                meta=band,
                hoverinfo="skip",
            ),
            row=number,
            col=1,
        )
        figure.add_trace(
            line(x, rows["expected_a"].to_numpy(), "expected", ink("ink"), width=1, dash="9px,4px"),
            row=number,
            col=1,
        )
    measured = line(x, rows["current_a"].to_numpy(), "current", colours, showlegend=False)
    figure.add_trace(measured, row=number, col=1)
    scale, runs_on = current_scale(rows)
    figure.update_yaxes(range=scale, row=number, col=1)
    axis = "" if number == 1 else str(number)
    for mark in runs_on:  # each at the end that it speaks of
        figure.add_annotation(
            text=f"{mark} the band runs on", xref=f"x{axis} domain", x=1, xanchor="right",
            yref=f"y{axis} domain", y=1 if mark == "▲" else 0,
            yanchor="top" if mark == "▲" else "bottom", showarrow=False, font={"size": 10},
        )  # fmt: skip


def outline(x: Any, low: Any, high: Any) -> tuple[list[float | None], list[float | None]]:
    """Return a band as closed outlines, one a stretch in which it is known.

    A stretch also ends where the band becomes several times as wide or narrow: what
    lies between is no slope.
    """
    wide = high - low
    known = np.isfinite(wide)
    with np.errstate(divide="ignore", invalid="ignore"):
        jump = np.abs(np.diff(np.log(np.maximum(wide, 1e-9)))) > np.log(JUMP)
    breaks = np.flatnonzero(~(known[1:] & known[:-1]) | jump) + 1
    at: list[float | None] = []
    level: list[float | None] = []
    for part in np.split(np.arange(len(wide)), breaks):
        part = part[known[part]]
        if part.size < 2:
            continue
        at += [*x[part].tolist(), *x[part][::-1].tolist(), None]
        level += [*low[part].tolist(), *high[part][::-1].tolist(), None]
    return at, level


def current_scale(rows: pl.DataFrame) -> tuple[list[float], str]:
    """Return the current's range, and the sides on which the band runs on beyond it.

    The band is held whole where it does not press the current flat, else cut, which is told.
    """
    names = [c for c in ("current_a", "expected_a") if has(rows, c)]
    low = min((float(rows[c].min() or 0.0) for c in names), default=0.0)  # type: ignore[arg-type]
    high = max((float(rows[c].max() or 0.0) for c in names), default=0.0)  # type: ignore[arg-type]
    room = max(0.25 * (high - low), 0.05)
    own = [low - room, high + room]
    if not has(rows, "low_a") or not has(rows, "high_a"):
        return own, ""
    under, over = float(rows["low_a"].min()), float(rows["high_a"].max())  # type: ignore[arg-type]
    if max(over, high) - min(under, low) <= MOST_BAND * (own[1] - own[0]):
        edge = 0.04 * (max(over, high) - min(under, low))
        return [min(own[0], under - edge), max(own[1], over + edge)], ""
    return own, "▲" * (over > own[1]) + "▼" * (under < own[0])


def _ribbons(
    figure: go.Figure, number: int, brakes: Sequence[tuple[str, pl.DataFrame]], zero: datetime
) -> None:
    """One row a channel: thick where engaged, thin where released, gaps unknown."""
    for said, width in (("brake engaged", 9), ("brake released", 2)):  # the key of the lanes
        figure.add_trace(line([None], [None], said, ink("ink"), width=width), row=number, col=1)
    for level, (word, spans) in enumerate(reversed(brakes)):
        for value, width, said in ((True, 9, "engaged"), (False, 2, "released")):
            x: list[float | None] = []
            runs = spans.filter(pl.col("value") == value)
            if not runs.height:
                continue
            starts = seconds_after(runs["start"], zero)
            ends = seconds_after(runs["end"], zero)
            for a, b in zip(starts, ends, strict=True):
                x += [float(a), float(b), None]
            figure.add_trace(
                line(
                    x,
                    [None if at is None else level for at in x],
                    f"{word}: {said}",
                    ink("ink"),
                    width=width,
                    showlegend=False,
                ),
                row=number,
                col=1,
            )
    figure.update_yaxes(
        range=[-0.6, len(brakes) - 0.4],
        tickvals=list(range(len(brakes))),
        ticktext=[word for word, _ in reversed(brakes)],
        tickfont={"size": 10},
        row=number,
        col=1,
    )


def _draw_pins(figure: go.Figure, pins: pl.DataFrame | None, zero: datetime) -> None:
    if pins is None:
        return
    for number, row in enumerate(pins.iter_rows(named=True), 1):
        at = (row["start"] - zero).total_seconds()
        until = (row["end"] - zero).total_seconds()
        if until > at:
            figure.add_vrect(
                x0=at, x1=until, fillcolor="rgba(128,128,128,.14)", line_width=0, layer="below"
            )
        figure.add_vline(x=at, line={"color": "rgb(128,128,128)", "width": 1.4, "dash": "3px,3px"})
        figure.add_annotation(
            text=f"⚲{number}", x=at, xref="x", y=0, yref="paper", yanchor="top", yshift=2,
            showarrow=False, font={"size": 12}, hovertext=row["text"],
        )  # fmt: skip
