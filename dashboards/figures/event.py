"""Drawings of one event: its likes, its score, its neighbours.

Time runs in seconds after the event's first instant, so that what is before,
during and after reads off the axis.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np
import plotly.graph_objects as go
import polars as pl
from numpy.typing import NDArray
from plotly.subplots import make_subplots

from dashboards.figures.detectors import spoken
from dashboards.figures.style import (
    DASHES,
    FLAGGED,
    GRID,
    LIMIT_LINE,
    few_ticks,
    ink,
    joint_ink,
    line,
    settle,
)

QUANTITIES: dict[str, str] = {
    "current_a": "current, A",
    "rate_deg_s": "rate, deg/s",
    "turned_deg": "turned, deg",
    "temperature_c": "temperature, °C",
}


def seconds_after(times: pl.Series, zero: datetime) -> NDArray[np.float64]:
    """Return instants as seconds after ``zero``, exact to the nanosecond."""
    zero_ns = round(zero.timestamp() * 1e6) * 1000
    return (times.cast(pl.Datetime("ns", "UTC")).to_physical().to_numpy() - zero_ns) / 1e9


def similar_motions_figure(
    traces: pl.DataFrame,
    labels: Sequence[str],
    quantity: str,
    *,
    joint_index: int,
    marked: tuple[float, float] | None = None,
) -> go.Figure:
    """Draw motions over each other on one clock; the first one is in question.

    ``marked`` is the event's span on that clock.
    """
    figure = go.Figure()
    for row, label in reversed(list(enumerate(labels))):
        mine = traces.filter(pl.col("row") == row)
        if not mine.height or not has(mine, quantity):
            continue
        own = row == 0
        figure.add_trace(
            line(
                mine["since_s"].to_numpy(),
                mine[quantity].to_numpy(),
                label,
                joint_ink(joint_index) if own else ink("faint"),
                width=2.6 if own else 1.1,
                dash="solid" if own else DASHES[1 + (row - 1) % (len(DASHES) - 1)],
                legendrank=row,
            )
        )
    if marked is not None:
        figure.add_vrect(x0=marked[0], x1=marked[1], fillcolor=FLAGGED, line_width=0, layer="below")
    settle(figure)
    figure.add_vline(x=0, line={"color": GRID, "width": 2})
    figure.update_xaxes(title="seconds after onset")
    figure.update_yaxes(title=QUANTITIES.get(quantity, quantity))
    return figure


def score_through_time(
    trace: pl.DataFrame,
    zero: datetime,
    end: datetime,
    limit: float,
    learned: float,
    *,
    detectors: Sequence[str] = (),
) -> go.Figure:
    """Draw the score with its limit, and the detectors that spoke up below it."""
    figure = make_subplots(
        rows=2, cols=1, shared_xaxes=True, vertical_spacing=0.06, row_heights=[1.0, 1.0]
    )
    x = seconds_after(trace["time"], zero)
    figure.add_trace(
        line(x, trace["score"].to_numpy(), "score", ink("ink"), showlegend=False), row=1, col=1
    )
    for level, text, dash in ((limit, "limit", "solid"), (learned, "limit as learned", "dot")):
        if level == learned and abs(limit - learned) < 1e-9 and dash == "dot":
            continue
        figure.add_hline(
            y=level,
            line={"color": LIMIT_LINE, "width": 1.5, "dash": dash},
            annotation={"text": text, "font": {"size": 11}},
            annotation_position="top left" if dash == "solid" else "top right",
            row=1,
            col=1,
        )
    if not detectors:
        figure.add_annotation(
            text="no detector has a value in the event",
            x=0.5,
            y=0.5,
            xref="x2 domain",
            yref="y2 domain",
            showarrow=False,
        )
    for index, name in enumerate(detectors):
        figure.add_trace(
            line(
                x,
                trace[name].to_numpy(),
                spoken(name),
                ink(("ink", "accent", "look", "note")[index % 4]),  # no joint's colours: not joints
                width=1.3,
                dash=DASHES[index % len(DASHES)],
                mode="lines+markers" if trace[name].drop_nulls().len() < 60 else "lines",
                marker={"size": 4},
            ),
            row=2,
            col=1,
        )
    length = (end - zero).total_seconds()
    figure.add_vrect(x0=0, x1=max(length, 1e-3), fillcolor=FLAGGED, line_width=0, layer="below")
    settle(figure)
    figure.update_yaxes(title="score", row=1, col=1)
    figure.update_yaxes(title="detectors,<br>spreads", row=2, col=1)
    figure.update_xaxes(title="seconds after the event's start", row=2, col=1)
    return figure


def others(
    rows: pl.DataFrame, zero: datetime, end: datetime, joints: Sequence[str], of: str
) -> go.Figure:
    """Draw every joint's current at the same instants, one strip a joint."""
    there = [j for j in joints if j in set(rows["joint"])]
    figure = make_subplots(
        rows=max(len(there), 1), cols=1, shared_xaxes=True, vertical_spacing=0.018
    )
    for number, joint in enumerate(there, 1):
        mine = rows.filter(pl.col("joint") == joint)
        x = seconds_after(mine["time"], zero)
        if has(mine, "expected_a"):
            figure.add_trace(
                line(
                    x,
                    mine["expected_a"].to_numpy(),
                    "expected",
                    ink("faint"),
                    width=1,
                    dash="dot",
                    showlegend=number == 1,
                ),
                row=number,
                col=1,
            )
        figure.add_trace(
            line(
                x,
                mine["current_a"].to_numpy(),
                f"{joint} current",
                joint_ink(list(joints).index(joint)),
                width=2.2 if joint == of else 1.3,
                showlegend=False,
            ),
            row=number,
            col=1,
        )
        title = f"<b>{joint}</b> ▸" if joint == of else joint
        drawn = [mine[c].to_numpy() for c in ("current_a", "expected_a") if has(mine, c)]
        figure.update_yaxes(
            title={"text": title, "standoff": 4},
            nticks=few_ticks(*drawn),
            tickfont={"size": 10},
            row=number,
            col=1,
        )
    length = (end - zero).total_seconds()
    figure.add_vrect(x0=0, x1=max(length, 1e-3), fillcolor=FLAGGED, line_width=0, layer="below")
    settle(figure)
    figure.update_xaxes(title="seconds after the event's start", row=len(there) or 1, col=1)
    return figure


def has(rows: pl.DataFrame, name: str) -> bool:
    """Say whether a column is there and holds anything."""
    return name in rows.columns and rows[name].null_count() < rows.height
