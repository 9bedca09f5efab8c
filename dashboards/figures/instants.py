"""Words above a plot at instants of its time axis, none over another.

Each word goes into the lowest row in which it is clear of those before it. How wide a plot
will be drawn is the browser's business: room is reckoned for a telephone's, and what has no
room in `MOST_ROWS` rows is a line without a word (the page lists all of them).
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import plotly.graph_objects as go

PLOT_PX = 300.0
"""Width reckoned with: what margins and scale leave of a screen of 420 pixels."""

LETTER_PX, GAP_PX, ROW_PX = 6.6, 8.0, 14
"""A letter of 11 px, at most about 0.6 em on average; between words; from row to row."""

MOST_ROWS = 3


def rows_of(places: Sequence[float], words: Sequence[str]) -> list[int | None]:
    """Return each word's row, counted upwards from the plot; None where it has no room.

    Parameters
    ----------
    places : sequence of float
        Where the words stand, as shares of the plot's width.
    words : sequence of str
        The words, centred on their places where they stay above the plot.

    Examples
    --------
    >>> rows_of([0.2, 0.25, 0.8], ["replaced", "step", "step"])
    [0, 1, 0]
    >>> rows_of([0.5, 1.2], ["inspected", "beyond the plot"])
    [0, None]
    """
    ends = [-1e9] * MOST_ROWS
    found: list[int | None] = [None] * len(words)
    for i in sorted(range(len(words)), key=lambda k: places[k]):
        if not 0.0 <= places[i] <= 1.0:
            continue
        low, _ = _left_end(places[i], words[i])
        free = next((r for r, end in enumerate(ends) if low >= end), None)
        if free is not None:
            ends[free] = low + LETTER_PX * len(words[i]) + GAP_PX
            found[i] = free
    return found


def _left_end(place: float, word: str) -> tuple[float, str]:
    """Return where a word begins, and how it is anchored so that it stays above the plot."""
    at, half = PLOT_PX * place, LETTER_PX * len(word) / 2
    if at < half:
        return at, "left"
    return (at - 2 * half, "right") if at > PLOT_PX - half else (at - half, "center")


def mark_instants(
    figure: go.Figure, notes: Sequence[tuple[datetime, str, str]], shown: Sequence[datetime]
) -> int:
    """Draw a line at each instant with its word above the plot; returns how many rows.

    ``notes`` are (instant, word, dash of the line), ``shown`` the ends of the time axis.
    """
    first, span = shown[0], (shown[1] - shown[0]).total_seconds()
    places = [(at - first).total_seconds() / span for at, _, _ in notes]
    rows = rows_of(places, [word for _, word, _ in notes])
    for (at, word, dash), place, row in zip(notes, places, rows, strict=True):
        figure.add_vline(x=at, line={"color": "rgba(128,128,128,0.9)", "width": 1.2, "dash": dash})
        if row is None:
            continue
        figure.add_annotation(
            x=at, y=1, yref="y domain", yshift=ROW_PX * row, text=word, showarrow=False,
            xanchor=_left_end(place, word)[1], yanchor="bottom", font={"size": 11}, borderpad=0,
        )  # fmt: skip
    return 1 + max((r for r in rows if r is not None), default=-1)
