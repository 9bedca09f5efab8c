"""A page asked for a session that is not in the archive: said in the house's frame, nearest first.

The document then answers 404, as for an address that is no page.
"""

from __future__ import annotations

from dataclasses import replace

from dash import html
from dash.development.base_component import Component

from dashboards import links
from dashboards.components import basics
from dashboards.links import View
from dashboards.pages.page import Desk, Page
from dashboards.queries import catalogue

OF_A_SESSION = ("queue", "replay", "event", "review", "sign-off", "compare")
"""Pages that show the session that the address names."""


def no_such_session(desk: Desk, page: Page, view: View) -> Component | None:
    """Return what to show where the address names a session that there is not; else None."""
    if page.name not in OF_A_SESSION or not catalogue.is_unknown(desk.archive, view.session):
        return None
    asked = view.session or ""
    near = catalogue.nearest_sessions(desk.archive, asked)
    kept = View(extra=view.extra)  # instants and flags were of the session that is not there
    return html.Div(
        [
            html.H1(page.title),
            basics.message(
                f"There is no session “{asked}” in this archive.",
                "Nearest are:" if near else "No other name is near.",
            ),
            html.Ul(
                [
                    html.Li(basics.go(name, links.href(page.name, replace(kept, session=name))))
                    for name in near
                ]
            )
            if near
            else None,
            html.P(basics.go("All sessions are in the library", "/library")),
        ],
        className="stack",
    )
