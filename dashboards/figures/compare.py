"""Drawings of a comparison: differences by joint, motions stitched in pairs."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import plotly.graph_objects as go
import polars as pl

from dashboards.figures.event import QUANTITIES
from dashboards.figures.style import BAR, GRID, empty, ink, joint_ink, joint_symbol, line, settle

__all__ = ["differences", "empty", "pair_overlay", "stitches"]


def differences(table: pl.DataFrame, joints: Sequence[str], quantity: str, unit: str) -> go.Figure:
    """Draw one quantity's difference, second less first, a row a joint.

    A large mark with a bar: the interval leaves zero out. A small one: it does
    not, or there are too few pairs for an interval. The mark itself is the
    joint's, the same everywhere.
    """
    figure = go.Figure()
    mine = table.filter(pl.col("quantity") == quantity)
    for index, joint in enumerate(joints):
        row = mine.filter(pl.col("joint") == joint)
        if not row.height:
            continue
        r = row.row(0, named=True)
        colours = joint_ink(index)
        bar = None
        if r["low"] is not None:
            bar = {
                "type": "data",
                "symmetric": False,
                "array": [r["high"] - r["difference"]],
                "arrayminus": [r["difference"] - r["low"]],
                "color": colours["light"],
                "thickness": 2,
            }
        figure.add_trace(
            go.Scatter(
                x=[r["difference"]],
                y=[joint],
                mode="markers",
                name=joint,
                marker={
                    **joint_symbol(index, 14 if r["differs"] else 9),
                    "color": colours["light"],
                    "line": {"color": colours["light"], "width": 2},
                },
                error_x=bar,
                cliponaxis=False,  # a mark at the edge is whole
                meta=colours,
                showlegend=False,
                hovertemplate=f"{joint}: %{{x:.3g}} {unit}, {r['pairs']} pairs<extra></extra>",
            )
        )
    every = go.Scatter(
        x=[None] * len(joints), y=list(reversed(joints)), showlegend=False, hoverinfo="skip"
    )
    figure.add_trace(every)  # a place without a pair has its row too
    settle(figure, hovermode="closest")
    figure.add_vline(x=0, line={"color": BAR, "width": 1.5, "dash": "dot"})
    figure.update_yaxes(
        categoryorder="array", categoryarray=list(reversed(joints)), type="category", title="",
        range=[-0.6, len(joints) - 0.4],
    )  # fmt: skip
    figure.update_xaxes(title=f"{quantity}, second less first, {unit}")
    return figure


def stitches(
    first: pl.DataFrame,
    second: pl.DataFrame,
    pairs: pl.DataFrame,
    starts: tuple[datetime, datetime],
    names: tuple[str, str],
    *,
    joint_index: int,
    chosen: int | None = None,
) -> go.Figure:
    """Draw a joint's motions of both sessions as bars, and threads between pairs.

    Bars stand up for one direction and hang down for the other; what has no
    thread has no partner. ``chosen`` is the pair drawn strong.
    """
    figure = go.Figure()
    colours = joint_ink(joint_index)
    for level, (motions, zero) in enumerate(zip((first, second), starts, strict=True)):
        x: list[float | None] = []
        y: list[float | None] = []
        base = 1.0 - level
        for m in motions.filter(pl.col("motion") == "moving").iter_rows(named=True):
            a, b = ((m[k] - zero).total_seconds() for k in ("start", "end"))
            tip = base + 0.16 * (m["direction"] or 1)
            x += [a, a, b, b, None]
            y += [base, tip, tip, base, None]
        figure.add_trace(
            line(x, y, names[level], colours, width=2 if level == 0 else 1.4, showlegend=False)
        )
    threads: dict[bool, tuple[list[float | None], list[float | None]]] = {
        False: ([], []),
        True: ([], []),
    }
    for index, p in enumerate(pairs.iter_rows(named=True)):
        middles = [
            (
                (p[f"{side}_start"] - zero).total_seconds()
                + (p[f"{side}_end"] - zero).total_seconds()
            )
            / 2
            for side, zero in zip(("first", "second"), starts, strict=True)
        ]
        tx, ty = threads[index == chosen]
        tx += [middles[0], middles[1], None]
        ty += [0.82, 0.18, None]
    for strong, (tx, ty) in threads.items():
        if tx:
            figure.add_trace(
                line(
                    tx,
                    ty,
                    "the pair below" if strong else "paired",
                    ink("act" if strong else "faint"),
                    width=2.6 if strong else 1,
                    dash="solid" if strong else "dot",
                )
            )
    settle(figure, hovermode=False)
    figure.update_yaxes(
        tickvals=[1, 0], ticktext=["first", "second"], range=[-0.3, 1.3], zeroline=False
    )
    figure.update_xaxes(title="seconds after each session's start")
    return figure


def pair_overlay(
    traces: pl.DataFrame, names: tuple[str, str], quantity: str, *, joint_index: int
) -> go.Figure:
    """Draw two motions over each other, aligned on onset.

    The second is grey, with a dash that is no joint's: it is another session, not another joint.
    """
    figure = go.Figure()
    for row, (name, dash) in enumerate(zip(names, ("solid", "10px,4px"), strict=True)):
        mine = traces.filter(pl.col("row") == row)
        if not mine.height or mine[quantity].null_count() == mine.height:
            continue
        figure.add_trace(
            line(
                mine["since_s"].to_numpy(),
                mine[quantity].to_numpy(),
                name,
                joint_ink(joint_index) if row == 0 else ink("faint"),
                width=2.2 if row == 0 else 1.8,
                dash=dash,
            )
        )
    settle(figure)
    figure.add_vline(x=0, line={"color": GRID, "width": 2})
    figure.update_xaxes(title="seconds after onset")
    figure.update_yaxes(title=QUANTITIES.get(quantity, quantity))
    return figure
