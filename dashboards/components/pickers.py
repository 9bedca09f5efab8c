"""Fields with their name beside them: a choice of a few words, a session of many."""

from __future__ import annotations

from collections.abc import Mapping

from dash import dcc, html
from dash.development.base_component import Component


def labelled(label: str, field: Component) -> Component:
    """Return a field with its name beside it; a press on the name goes to the field."""
    return html.Label([label, field], className="field side-by-side")


def choice(
    label: str, name: str, options: Mapping[str, str], chosen: str, width: int = 130
) -> Component:
    """Return a list of a few words to choose one of.

    Parameters
    ----------
    label : str
        What is chosen.
    name : str
        The list's id.
    options : mapping of str to str
        Values and the words for them.
    chosen : str
        The value that is chosen now.
    width : int
        At least so many pixels wide.

    Returns
    -------
    Component
        The list with its label.
    """
    return labelled(
        label,
        dcc.Dropdown(
            [{"label": text, "value": value} for value, text in options.items()],
            chosen,
            id=name,
            clearable=False,
            searchable=False,
            style={"minWidth": f"{width}px"},
        ),
    )


def session_picker(
    name: str,
    sessions: list[tuple[str, str]],
    chosen: str | None,
    label: str = "Session",
    width: int = 430,
) -> Component:
    """Return a searchable list of sessions, ``width`` pixels wide; ``name`` is its id."""
    return labelled(
        label,
        dcc.Dropdown(
            [{"label": text, "value": value} for value, text in sessions],
            chosen,
            id=name,
            clearable=False,
            optionHeight=30,
            style={"minWidth": f"min({width}px, 80vw)"},
        ),
    )
