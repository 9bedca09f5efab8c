"""The same day shown by a plain Dash page, or by plotly-resampler; see replay_day."""

from __future__ import annotations

import argparse
from typing import Any

import plotly.graph_objects as go
import polars as pl
from dash import Dash, dcc, html
from plotly.subplots import make_subplots

QUANTITIES = ("angle_deg", "rate_deg_s", "current_a", "temperature_c")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kind", choices=("plain", "resampler"))
    parser.add_argument("archive")
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--port", type=int, default=8972)
    args = parser.parse_args()
    frame = pl.scan_parquet(f"{args.archive}/samples/day/main.parquet")
    frame = frame.head(int(args.hours * 360_000)).collect()
    time = frame["time"].dt.replace_time_zone(None).to_numpy()
    app = Dash("peer")
    figure: Any = make_subplots(rows=4, cols=1, shared_xaxes=True)
    if args.kind == "resampler":
        from plotly_resampler import FigureResampler

        figure = FigureResampler(figure, default_n_shown_samples=2000)
    for row, quantity in enumerate(QUANTITIES, start=1):
        for k in range(1, 8):
            values = frame[f"J{k}.{quantity}"].to_numpy()
            name = f"J{k} {quantity}"
            if args.kind == "resampler":
                trace = go.Scatter(name=name)
                figure.add_trace(trace, hf_x=time, hf_y=values, row=row, col=1)
            else:
                figure.add_trace(go.Scatter(name=name, x=time, y=values), row=row, col=1)
    figure.update_layout(height=700)
    app.layout = html.Div(dcc.Graph(id="plots", figure=figure))
    if args.kind == "resampler":
        figure.register_update_graph_callback(app, "plots")
    app.run(host="127.0.0.1", port=args.port, debug=False)


if __name__ == "__main__":
    main()
