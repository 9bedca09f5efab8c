"""The flags that another limit would have raised, as a table in words."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import polars as pl
from dash import html
from dash.development.base_component import Component

from dashboards import links
from dashboards.components import basics
from dashboards.components.basics import severity
from dashboards.components.plain_tables import table
from dashboards.links import View
from replay.wording import counted, kind_words, score_figure

MOST = 40
"""Flags listed of those that a limit changes; the sentence counts all."""

WHICH = {"both": "at both", "here": "only at this limit", "learned": "only as learned"}


def rebuilt_part(rows: pl.DataFrame, rate: float, learned: float, zero: datetime) -> Component:
    """Return what the limit changes in the whole session.

    ``rows`` is the table of `queries.rebuilt`, ``zero`` the session's start.
    """
    here = rows.filter(pl.col("which") != "learned").height
    before = rows.filter(pl.col("which") != "here").height
    new = rows.filter(pl.col("which") == "here").height
    words = f"{counted(here, 'flag')} in this session, all joints"
    if rate == learned:
        words = f"Checked anew as learned ({learned:g}): {words}."
    else:
        words = (
            f"Checked anew at {rate:g} false flags per 100 joint-hours: {words}; "
            f"{counted(before, 'flag')} as learned ({learned:g}), {before - (here - new)} of them "
            f"gone, {new} new. Nothing of this is stored."
        )
    cells: list[tuple[Any, ...]] = [
        (
            row["joint"] or "every joint",
            kind_words(row["kind"]),
            severity(row["severity"]),
            score_figure(row["score"]),
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


def everywhere_part(found: pl.DataFrame | None, rate: float | None) -> Component:
    """Return what a limit changes in all sessions, or how to have it counted.

    ``found`` has a flag a row with ``session`` and ``which``.
    """
    if found is None:
        words = (
            "Choose a limit other than the learned one to see what it would do everywhere."
            if rate is None
            else f"What {rate:g} would flag in all sessions is not counted yet: the button does "
            "that, in a job that takes seconds a session."
        )
        return html.P(words, id="event-everywhere-words", className="faint")
    here, gone = (found.filter(pl.col("which") == w) for w in ("here", "learned"))
    count = found.filter(pl.col("which") != "learned").height
    words = (
        f"In all sessions at {rate:g} false flags per 100 joint-hours: {counted(count, 'flag')}, "
        f"{here.height} of them new; {gone.height} of those as learned gone."
    )
    cells = [
        (
            basics.go(
                row["session"],
                links.href(
                    "event",
                    View(
                        session=row["session"],
                        start_ns=links.to_ns(row["start"]),
                        end_ns=links.to_ns(row["end"]),
                        joints=(row["joint"],),
                    ),
                ),
            )
            if row["joint"]
            else row["session"],
            row["joint"] or "every joint",
            kind_words(row["kind"]),
            score_figure(row["score"]),
            "new" if row["which"] == "here" else "gone",
        )
        for row in pl.concat([here, gone]).sort("score", descending=True).head(MOST).to_dicts()
    ]
    return html.Div(
        [
            html.H3("All sessions at this limit", className="event-rebuilt-title"),
            html.P(words, id="event-everywhere-words", role="status"),
            table(
                ("Session", "Joint", "Kind", "Score", "Change"),
                cells,
                caption="What the limit changes in all sessions",
                numbers={3},
            )
            if cells
            else None,
        ]
    )
