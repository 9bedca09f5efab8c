"""Words of a page, linked to their entries in the handbook.

`linked` walks a page that is ready and turns headings, table heads and terms
that the handbook knows into links. A page says nothing for it.
"""

from __future__ import annotations

from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.handbook import entries, entry_of

EXPLAINED = (html.H2, html.H3, html.Th, html.Dt)
"""What holds a word that may need an explanation."""


def address(key: str) -> str:
    """Return where an entry stands."""
    return f"/handbook?entry={key}"


def term(text: str, shown: Any = None) -> Any:
    """Return a word as a link to its entry, or as it is where there is none."""
    key = entry_of(text)
    if key is None:
        return text if shown is None else shown
    first = entries()[key].what.strip().split(". ")[0].rstrip(".")
    return dcc.Link(
        text if shown is None else shown,
        href=address(key),
        className="term",
        title=f"{first}. (handbook)" if not entries()[key].article else entries()[key].title,
    )


def linked(component: Any) -> Any:
    """Link the known words of a component and of everything inside it; returns it."""
    if isinstance(component, list | tuple):
        for part in component:
            linked(part)
        return component
    if not isinstance(component, Component) or isinstance(component, html.Summary):
        return component  # a summary is a control itself: no link inside one
    inside = getattr(component, "children", None)
    if isinstance(component, EXPLAINED) and isinstance(inside, str):
        component.children = term(inside)
    elif inside is not None:
        linked(inside)
    return component
