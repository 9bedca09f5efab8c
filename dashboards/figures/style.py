"""Strokes and colours that the drawings of events and comparisons share.

A figure is made in light colours; each trace also carries its dark ones in
``meta``, and the browser swaps them with the theme.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import plotly.graph_objects as go

from dashboards import theme

GRID = "rgba(128, 128, 128, 0.22)"
FLAGGED = "rgba(213, 94, 0, 0.15)"
LIMIT = "rgba(166, 58, 0, 0.9)"
FADED = 0.65
"""Opacity of marks of the second rank: what is faded still stands 3:1 or more against the dark
sheet (WCAG 2.2, 1.4.11), in every colour of the house."""
BAR = "rgba(128, 128, 128, 0.9)"
LIMIT_LINE = "#cf5f2a"
"""For lines that keep their colour in light and dark: 3:1 or more against both sheets."""

DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot", "5px,2px,1px,2px")
SYMBOLS = ("circle", "square", "triangle-up", "diamond", "cross", "triangle-down", "circle-open")
"""One a joint place, the same order as `theme.MARKS`."""

_TRIANGLE = 1.155
"""By so much a triangle of Plotly's is smaller, beside its other marks, than one of the replay's:
its side is 1.73 times the size, the replay's corners span 2.31 times the radius's square."""


def joint_symbol(index: int, size: float) -> dict[str, Any]:
    """Return symbol and size of a joint place's mark, as large to the eye as in the replay."""
    symbol = SYMBOLS[(index + index // len(SYMBOLS)) % len(SYMBOLS)]
    return {
        "symbol": symbol,
        "size": size * (_TRIANGLE if symbol.startswith("triangle") else 1.0),
    }


def ink(name: str) -> dict[str, str]:
    """Return the two colours of a theme token, for a trace's ``meta``."""
    return {"light": theme.LIGHT[name], "dark": theme.DARK[name]}


def joint_ink(index: int) -> dict[str, str]:
    """Return the two colours of a joint place."""
    return {
        "light": theme.joint_colour(index),
        "dark": theme.joint_colour(index, dark=True),
    }


def line(
    x: Any,
    y: Any,
    name: str,
    colours: dict[str, str],
    *,
    width: float = 1.6,
    dash: str = "solid",
    **more: Any,
) -> go.Scatter:
    """Return a line in both themes' colours."""
    return go.Scatter(
        x=x,
        y=y,
        name=name,
        mode=more.pop("mode", "lines"),
        line={"color": colours["light"], "width": width, "dash": dash, **more.pop("line", {})},
        meta=colours,
        **more,
    )


def settle(figure: go.Figure, **layout: Any) -> go.Figure:
    """Give a figure the look of the house."""
    figure.update_layout(theme.plotly_layout())
    figure.update_layout(
        legend={"orientation": "h", "y": 1.0, "yanchor": "bottom", "x": 0, "font": {"size": 12}},
        hovermode="x unified",
        margin={"l": 62, "r": 14, "t": 26, "b": 36},
        uirevision="keep",
    )
    figure.update_layout(**layout)
    figure.update_xaxes(gridcolor=GRID, zerolinecolor=GRID)
    figure.update_yaxes(gridcolor=GRID, zerolinecolor=GRID, ticklabelstandoff=4)
    return figure


def few_ticks(*values: Any) -> int:
    """Return how many ticks to ask of a low panel, so that two at least fall inside its range.

    Plotly takes the range's share and goes up to the next 1, 2 or 5 times a power of
    ten (from memory); asked for three of a range from -0.09 to 0.08 it labels one.

    >>> few_ticks([-0.0883, 0.0783]), few_ticks([26.71, 26.99])
    (4, 3)
    """
    known = [np.asarray(v, dtype=float) for v in values]
    known = [v[np.isfinite(v)] for v in known]
    if not any(v.size for v in known):
        return 3
    low = min(float(v.min()) for v in known if v.size)
    high = max(float(v.max()) for v in known if v.size)
    room = 0.05 * (high - low)  # Plotly leaves a little more at both ends
    low, high = low - room, high + room
    for asked in (3, 4, 5):
        rough = 1.01 * max(high - low, 1e-12) / asked
        power = 10.0 ** np.floor(np.log10(rough))
        step = next(power * m for m in (1, 2, 5, 10) if power * m >= rough)
        if np.floor(high / step) - np.ceil(low / step) >= 1:
            return asked
    return 6


def empty(words: str) -> go.Figure:
    """Return a figure that says why it has nothing to show."""
    figure = settle(go.Figure())
    figure.update_xaxes(visible=False)
    figure.update_yaxes(visible=False)
    figure.add_annotation(text=words, showarrow=False, xref="paper", yref="paper", x=0.5, y=0.5)
    return figure
