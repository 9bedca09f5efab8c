"""A plain table, and a number as it stands in one."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboards.components.figure_card import aria
from dashboards.components.terms import term


def table(
    heads: Sequence[str],
    rows: Iterable[Sequence[Any]],
    *,
    caption: str,
    numbers: frozenset[int] | set[int] = frozenset(),
) -> Component:
    """Return a plain table; ``numbers`` are the columns set to the right."""
    head = html.Thead(
        html.Tr(
            [
                html.Th(term(word), scope="col", className="number" if i in numbers else "")
                for i, word in enumerate(heads)
            ]
        )
    )
    body = html.Tbody(
        [
            html.Tr(
                [
                    html.Td(cell, className="number" if i in numbers else "")
                    for i, cell in enumerate(row)
                ]
            )
            for row in rows
        ]
    )
    return html.Div(
        html.Table(
            [html.Caption(caption, className="visually-hidden"), head, body],
            className="plain-table",
        ),
        className="scroll-x",
        tabIndex=0,
        role="region",
        **aria(label=caption),
    )


def number(value: Any, digits: int = 2, unit: str = "") -> str:
    """Return a number as words for a table, an en dash where there is none."""
    if value is None or value != value:
        return "–"
    rounded = round(value, digits) + 0.0  # no minus before a zero
    return f"{rounded:.{digits}f}{' ' + unit if unit else ''}"
