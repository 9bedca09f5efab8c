"""The event page's question what another limit would do in all sessions."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from dash import Dash, Input, Output, State, no_update, set_props

from dashboards import ids
from dashboards.components.event_page.event_sections import asked_for
from dashboards.components.event_page.rebuilt import everywhere_part
from dashboards.pages.page import Desk
from dashboards.queries.event import events, everywhere


def register_everywhere(app: Dash, desk: Desk) -> None:
    """Add the callbacks that start the count and show what it found."""

    @app.callback(
        Output("event-everywhere", "children"),
        Input(asked_for("scores"), "data"),
        Input("event-rate", "value"),
        Input(ids.JOBS_DONE, "data"),
        State("event-what", "data"),
        prevent_initial_call=True,
    )
    def show_everywhere(
        opened: int | None, rate: str, done: list[str], what: dict[str, Any]
    ) -> Any:
        if not opened:
            return no_update
        event = _event(desk, what)
        asked = float(rate) if rate else None
        found = None if asked is None else everywhere.found_everywhere(desk.archive, event, asked)
        return everywhere_part(found, asked)

    @app.callback(
        Output("event-count", "title"),
        Input("event-count", "n_clicks"),
        State("event-what", "data"),
        State("event-rate", "value"),
        prevent_initial_call=True,
    )
    def count(clicks: int, what: dict[str, Any], rate: str) -> Any:
        if not clicks or not rate:
            return "Choose another limit first."
        event = _event(desk, what)
        desk.jobs.start(
            f"All sessions at {float(rate):g}",
            lambda step: everywhere.count_everywhere(desk.archive, event, float(rate), step),
        )
        set_props(ids.JOBS_BEAT, {"disabled": False})
        return no_update


def _event(desk: Desk, what: dict[str, Any]) -> events.Event:
    start, end = (datetime.fromisoformat(what[k]) for k in ("start", "end"))
    return events.find_event(
        desk.archive, what["session"], what["flag"], joint=what["joint"], start=start, end=end
    )
