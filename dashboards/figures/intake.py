"""One joint of a log that is not stored yet, as its map reads it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from dashboards.figures.style import ink, line, settle

ROWS = (
    ("angle, deg", (("angle_deg", "measured", "solid"), ("angle_cmd_deg", "commanded", "dot"))),
    ("rate, deg/s", (("rate_deg_s", "measured", "solid"), ("rate_cmd_deg_s", "commanded", "dot"))),
    ("current, A", (("current_a", "measured", "solid"), ("current_target_a", "target", "dot"))),
)
"""What is drawn below each other, and which channels with which stroke."""


def alternating(seen: npt.NDArray[np.bool_]) -> bool:
    """Tell whether hardly a value stands beside another, as where each row has one joint."""
    return bool(seen.any()) and float((seen[1:] & seen[:-1]).sum()) < 0.1 * float(seen.sum())


def joint_preview(
    joint: str,
    time_s: npt.NDArray[np.float64],
    channels: Mapping[str, npt.NDArray[np.float64]],
) -> go.Figure:
    """Draw a joint's angle, rate and current over time; what is not mapped stays empty."""
    figure = make_subplots(rows=3, cols=1, shared_xaxes=True, vertical_spacing=0.06)
    for row, (title, members) in enumerate(ROWS, start=1):
        for quantity, word, dash in members:
            values = channels.get(f"{joint}.{quantity}")
            if values is None:
                continue
            colours = ink("ink" if dash == "solid" else "faint")
            seen = np.isfinite(values)
            if alternating(seen):
                time, values = time_s[seen], values[seen]
            else:
                time = time_s
            trace = line(time, values, f"{title.split(',')[0]}, {word}", colours, dash=dash)
            figure.add_trace(trace, row=row, col=1)
        figure.update_yaxes(title_text=title, row=row, col=1)
    figure.update_xaxes(title_text="s since the first row", row=3, col=1)
    return settle(figure, height=420, hovermode="x")
