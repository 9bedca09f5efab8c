"""What others decide while the queue is open: in the list and in the finding's history.

The form is left alone, with what is being written in it and with what it was made after: who
keeps it is asked, with both decisions shown.
"""

from __future__ import annotations

from typing import Any

from dash import Dash, Input, Output, State

from dashboards.components.queue_page.finding_panel import history
from dashboards.pages.page import Desk
from dashboards.pages.queue_parts import list_of, waiting_of
from dashboards.queries import record


def register_news(app: Dash, desk: Desk) -> None:
    """Add the callbacks that the browser sets off when something came."""

    @app.callback(
        Output("queue-list", "children", allow_duplicate=True),
        Input("queue-news", "data"),
        State("queue-what", "data"),
        prevent_initial_call=True,
    )
    def list_news(seq: int, what: dict[str, str]) -> Any:
        waiting = waiting_of(desk, what["arm"], what["whose"], what["session"])
        return list_of(desk, waiting, what["finding"])

    @app.callback(
        Output("finding-history", "children"),
        Input("finding-news", "data"),
        State("queue-what", "data"),
        prevent_initial_call=True,
    )
    def finding_news(seq: int, what: dict[str, str]) -> Any:
        return history(record.opened(desk.archive, what["session"], what["finding"]))
