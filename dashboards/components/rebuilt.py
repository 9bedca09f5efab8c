"""The flags that another limit would have raised, as a table in words."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import polars as pl
from dash import html
from dash.development.base_component import Component

from dashboards.components.basics import severity
from dashboards.components.event_parts import table

WHICH = {"both": "at both", "here": "only at this limit", "learned": "only as learned"}


def rebuilt_part(rows: pl.DataFrame, rate: float, learned: float, zero: datetime) -> Component:
    """Return what the limit changes in the whole session.

    ``rows`` is the table of `queries.rebuilt`, ``zero`` the session's start.
    """
    here = rows.filter(pl.col("which") != "learned").height
    before = rows.filter(pl.col("which") != "here").height
    new = rows.filter(pl.col("which") == "here").height
    words = f"{_flags(here)} in this session, all joints"
    if rate == learned:
        words = f"Checked anew as learned ({learned:g}): {words}."
    else:
        words = (
            f"Checked anew at {rate:g} false flags per 100 joint-hours: {words}; "
            f"{_flags(before)} as learned ({learned:g}), {before - (here - new)} of them gone, "
            f"{new} new. Nothing of this is stored."
        )
    cells: list[tuple[Any, ...]] = [
        (
            row["joint"] or "every joint",
            row["kind"],
            severity(row["severity"]),
            f"{row['score']:.2f}",
            f"{(row['start'] - zero).total_seconds():.1f}",
            f"{(row['end'] - row['start']).total_seconds():.1f}",
            WHICH[row["which"]],
        )
        for row in rows.iter_rows(named=True)
    ]
    heads: tuple[str, ...] = (
        "Joint",
        "Kind",
        "Severity",
        "Score",
        "From, s of the session",
        "Length, s",
        "Flagged",
    )
    if rate == learned:  # nothing to tell apart
        heads, cells = heads[:-1], [cell[:-1] for cell in cells]
    return html.Div(
        [
            html.H3("The session's events at this limit", className="event-rebuilt-title"),
            html.P(words, id="event-rebuilt-words", role="status"),
            table(heads, cells, caption="Flags at this limit and as learned", numbers={3, 4, 5})
            if cells
            else None,
        ]
    )


def _flags(count: int) -> str:
    return f"{count} flag" if count == 1 else f"{count} flags"
