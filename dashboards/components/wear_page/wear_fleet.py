"""The fleet's table on the wear page: a unit a row, what needs attention first."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl
from dash import dcc, html
from dash.development.base_component import Component

from dashboards import theme
from dashboards.components import basics
from dashboards.components.figure_card import aria
from dashboards.components.pickers import choice, labelled
from dashboards.components.wear_page.wear_board import address, plain, sure, waits
from dashboards.queries import wear

SHAPES = {
    "past limit": (theme.SEVERITY_SHAPES["act"], "act"),
    "worsening": (theme.SEVERITY_SHAPES["act"], "act"),
    "unlike its peers": (theme.SEVERITY_SHAPES["look"], "look"),
    "watch": (theme.SEVERITY_SHAPES["look"], "look"),
    "changing": (theme.SEVERITY_SHAPES["look"], "look"),
    "steady": (theme.SEVERITY_SHAPES["note"], "note"),
    "too few sessions": ("·", "note"),
    "removed": ("·", "note"),
}

SURE = "sure of trend"
HEAD = ("attention", "unit", "place", "open findings", "why", "latest", "limit reached", SURE)


def fleet_block(
    table: pl.DataFrame,
    against: str,
    order: str = "attention",
    before: str = "",
    waiting: Mapping[str, wear.OpenFindings] | None = None,
    due: str = "",
) -> Component:
    """Return the fleet as a table, what needs attention first or what falls due first.

    ``waiting`` are the units' findings that nobody has judged; ``due`` says in words what
    falls due before the month asked for.
    """
    held = waiting or {}
    bounds = wear.bounds_words(table)
    return html.Section(
        [
            html.Div(
                [
                    html.H2("Fleet"),
                    choice(
                        "Order",
                        "wear-order",
                        {"attention": "by attention", "date": "by limit date"},
                        order,
                        width=140,
                    ),
                    labelled(
                        "Due before",
                        dcc.Input(
                            id="wear-before",
                            type="text",
                            value=before,
                            debounce=True,
                            placeholder="2033-06",
                            style={"width": "7em"},
                        ),
                    ),
                    html.Span(due, className="faint", role="status"),
                ],
                className="row",
            ),
            html.Div(
                html.Table(
                    [
                        html.Thead(
                            html.Tr(
                                [html.Th(w, scope="col", role="columnheader") for w in HEAD],
                                role="row",
                            ),
                            role="rowgroup",
                        ),
                        html.Tbody(
                            [
                                _fleet_row(row, against, held.get(row["serial"]))
                                for row in table.iter_rows(named=True)
                            ],
                            role="rowgroup",
                        ),
                    ],
                    className="plain-table wear-fleet",
                    role="table",  # said, because a narrow screen sets the rows as blocks
                ),
                className="wear-scroll",
                tabIndex="0",
                role="region",
                **aria(label="Units, by attention"),
            ),
            html.P(bounds, className="faint wear-bounds") if bounds else None,
        ],
        className="sheet",
        **aria(label="Fleet"),
    )


def _fleet_row(row: dict[str, Any], against: str, found: wear.OpenFindings | None) -> Component:
    shape, tone = SHAPES[row["attention"]]
    place = f"{row['arm']} {row['joint']}" + ("" if row["installed"] else ", removed")
    last = row["last_value"]
    steady = row["result"] == "steady" and row["attention"] in ("steady", "removed")
    cells: tuple[Any, ...] = (
        html.Span([shape, " ", row["attention"]], className=f"severity {tone}"),
        basics.go(row["serial"], address(row["serial"], row["indicator"], against)),
        place,
        waits(found, f"{found.count}, {found.severity}") if found else "",
        row["why"],
        ""
        if last is None
        else [html.Div(row["indicator"], className="faint"), f"{plain(last)} {row['unit']}"],
        wear.due_of(row),
        "" if steady or row["confidence"] is None else sure(row["confidence"]),
    )
    return html.Tr(
        [
            html.Td(
                cell,
                role="cell",
                className="number" if word in ("latest", SURE) else "",
                **basics.attributes(data_head=word),
            )
            for word, cell in zip(HEAD, cells, strict=True)
        ],
        role="row",
    )
