"""Drawing of a baseline's word against what its held-out sessions showed."""

from __future__ import annotations

import plotly.graph_objects as go
import polars as pl

from dashboards.figures.style import ink, line, settle


def kept_word_figure(rates: pl.DataFrame) -> go.Figure:
    """Draw observed against nominal flags per 100 joint-hours, both on log axes.

    Where nothing was observed only the interval's upper end can be drawn.
    """
    nominal = rates["nominal"].to_numpy()
    shown = rates.with_columns(
        floor=pl.max_horizontal(pl.col("low"), pl.lit(float(nominal.min()) / 3)),
        seen=pl.when(pl.col("events") > 0).then(pl.col("observed")),
    )
    figure = go.Figure()
    figure.add_trace(
        line(nominal, nominal, "as asked", ink("faint"), dash="dash", hoverinfo="skip")
    )
    middle = (shown["floor"] * shown["high"]).sqrt()
    figure.add_trace(
        go.Scatter(
            x=nominal,
            y=middle.to_numpy(),
            mode="markers",
            name="90 % interval",
            marker={
                "symbol": "line-ns",
                "size": 11,
                "line": {"width": 2, "color": ink("faint")["light"]},
            },
            error_y={
                "type": "data",
                "symmetric": False,
                "array": (shown["high"] - middle).to_numpy(),
                "arrayminus": (middle - shown["floor"]).to_numpy(),
                "color": ink("faint")["light"],
                "width": 5,
            },
            meta=ink("faint"),
            hoverinfo="skip",
        )
    )
    figure.add_trace(
        line(
            nominal,
            shown["seen"].to_numpy(),
            "observed",
            ink("ink"),
            mode="markers",
            marker={"size": 9, "symbol": "diamond", "color": ink("ink")["light"]},
        )
    )
    figure = settle(figure, hovermode="closest")
    figure.update_xaxes(type="log", title="asked, flags per 100 joint-hours")
    figure.update_yaxes(type="log", title="observed")
    return figure
