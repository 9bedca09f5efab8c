"""A figure card: one figure with its title, its words and ways to save it.

The words under a figure say what it shows to whoever cannot see it, and give
everyone else the numbers. Saving happens in the browser (`assets/01_figure_cards.js`):
PNG and SVG come out on the light sheet whatever the screen's theme.
"""

from __future__ import annotations

from typing import Any

import plotly.graph_objects as go
from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components.terms import term


def aria(**words: str) -> dict[str, Any]:
    """Return attributes for a screen reader: ``aria(label="Close")``."""
    return {f"aria-{name}": text for name, text in words.items()}


GRAPH_CONFIG: dict[str, Any] = {
    "displaylogo": False,
    "responsive": True,
    "displayModeBar": False,
    "doubleClick": "reset",
}


def figure_card(
    name: str,
    title: str,
    figure: go.Figure,
    words: str | Component = "",
    *,
    height: int = 260,
    tools: list[Component] | None = None,
    level: int = 2,
    lead: Component | None = None,
) -> Component:
    """Return a figure as a block of a page.

    ``name`` is the graph's id and the saved file's name; ``tools`` are further
    controls for the line of buttons; ``lead`` stands above the figure.
    """
    told = [f"{name}-lead"] * (lead is not None) + [f"{name}-words"]
    heading = {2: html.H2, 3: html.H3}[level](term(title), id=f"{name}-title")
    return html.Section(
        [
            html.Div(
                [
                    heading,
                    html.Div(
                        [*(tools or []), save_button(title, "png"), save_button(title, "svg")],
                        className="tools",
                    ),
                ],
                className="figure-card-head",
            ),
            html.Div(lead, id=f"{name}-lead") if lead is not None else None,
            html.Div(
                dcc.Graph(
                    id=name,
                    figure=figure,
                    config=GRAPH_CONFIG,  # type: ignore[arg-type]
                    responsive=True,
                    style={"height": f"{height}px"},
                ),
                role="img",
                className="figure-card-figure",
                style={"minHeight": f"{height}px"},  # its place before it is drawn
                **aria(labelledby=f"{name}-title", describedby=" ".join(told)),
            ),
            html.Div(words, id=f"{name}-words", className="figure-card-words faint"),
        ],
        className="sheet figure-card",
        **aria(labelledby=f"{name}-title"),
        **_data(card=name),
    )


def save_button(title: str, form: str) -> Component:
    """Return the button that saves the card around it as an image."""
    return html.Button(
        form.upper(),
        type="button",
        className="figure-card-save quiet",
        title=f"Save this figure as {form.upper()}",
        **_data(format=form),
        **aria(label=f"Save “{title}” as {form.upper()}"),
    )


def save_links(what: str, addresses: dict[str, str]) -> Component:
    """Return download links, e.g. ``{"CSV": "/data/...", "Parquet": "..."}``."""
    return html.Span(
        [
            html.A(
                form,
                href=address,
                download="",
                className="button quiet",
                title=f"Save {what} as {form}",
                **aria(label=f"Save {what} as {form}"),
            )
            for form, address in addresses.items()
        ],
        className="tools",
    )


def _data(**words: str) -> dict[str, Any]:
    return {f"data-{name}": text for name, text in words.items()}
