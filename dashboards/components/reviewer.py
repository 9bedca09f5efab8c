"""The reviewer's name, asked in the same field on every page."""

from __future__ import annotations

from dash import dcc
from dash.development.base_component import Component

from dashboards.components.pickers import labelled

REVIEWER = "reviewer-name"


def reviewer_field() -> Component:
    """Return the field for the reviewer's name; this browser remembers it.

    Its id is the same on every page, so that the name is too.
    """
    return labelled(
        "Your name (goes on record)",
        dcc.Input(
            id=REVIEWER,
            type="text",
            maxLength=120,
            persistence=True,
            debounce=False,
            style={"width": "170px"},
        ),
    )
