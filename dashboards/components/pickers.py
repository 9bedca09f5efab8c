"""Choosing a session from many."""

from __future__ import annotations

from dash import dcc, html
from dash.development.base_component import Component


def session_picker(
    name: str, sessions: list[tuple[str, str]], chosen: str | None, label: str = "Session"
) -> Component:
    """Return a searchable list of sessions; ``name`` is its id."""
    return html.Label(
        [
            label,
            dcc.Dropdown(
                [{"label": text, "value": value} for value, text in sessions],
                chosen,
                id=name,
                clearable=False,
                optionHeight=30,
                style={"minWidth": "430px"},
            ),
        ],
        className="field side-by-side",
    )
