"""What a proposed map rests on: its lines, how sure each is, and the log's columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html
from dash.development.base_component import Component

from dashboards.components.basics import attributes
from replay.wording import counted

if TYPE_CHECKING:
    from dashboards.queries.intake import Proposed, ReviewLine

SURE = 0.6
"""A line below this is to be looked at before it is used."""

CERTAIN = 0.95
"""From here on nothing needs to be said of what else a line could be."""

TITLES = ("Line", "How sure", "Values it rests on", "Why", "What would change its mind")

_LEFT_OUT = (
    "left out: its part of the map is not sure enough; take the # away in the map below if it is "
    "right"
)


def lines_part(item: Proposed) -> Component | None:
    """Return the lines of a proposed map, those that are not sure first."""
    if not item.lines:
        return None
    unsure = [line for line in item.lines if line.share < SURE]
    sure = [line for line in item.lines if line not in unsure]
    left_out = sum(not line.used for line in item.lines)
    words = (
        f"{counted(len(item.lines), 'line')}, {len(unsure)} of them not sure "
        f"(below {100 * SURE:.0f} %)"
    )
    if left_out:
        words += f", {left_out} left out of the map"
    head = html.Thead(html.Tr([html.Th(w, scope="col") for w in TITLES]))
    body = html.Tbody([_row(line) for line in [*unsure, *sure]])
    return html.Details(
        [html.Summary(words), html.Table([head, body], className="plain-table lines-table")],
        open=bool(unsure),
    )


def _row(line: ReviewLine) -> Component:
    mark: list[str | Component] = [] if line.used else [html.Br(), html.Em(_LEFT_OUT)]
    sure: list[str | Component]
    sure = [html.Meter(value=str(line.share), min="0", max="1"), f" {100 * line.share:.0f} %"]
    otherwise = line.otherwise if line.share < CERTAIN else ""
    told: tuple[str | list[str | Component], ...]
    told = ([html.Code(line.text), *mark], sure, ", ".join(line.samples), line.why, otherwise)
    names = ("", "number", *[""] * 3)
    return html.Tr(
        [
            # where the table is too narrow for columns a cell says what it is (library.css)
            html.Td(cell, className=name, **attributes(data_title=title if cell else ""))
            for title, cell, name in zip(TITLES, told, names, strict=True)
        ],
        className="unsure" if line.share < SURE else "",
    )


def columns_part(item: Proposed) -> Component | None:
    """Return the log's columns with three of their values, those not used first."""
    if not item.columns:
        return None
    rows = sorted(item.columns, key=lambda c: c[2])
    unused = sum(not used for _, _, used in rows)
    titles = ("Column", "Values", "Used")
    head = html.Thead(html.Tr([html.Th(w, scope="col") for w in titles]))
    body = html.Tbody(
        [
            html.Tr(
                [
                    html.Td(html.Code(name)),
                    html.Td(values),
                    html.Td("yes" if used else "no"),
                ]
            )
            for name, values, used in rows
        ]
    )
    return html.Details(
        [
            html.Summary(f"{counted(len(rows), 'column')} of the log; unused: {unused or 'none'}"),
            html.Table([head, body], className="plain-table"),
        ]
    )
