"""Pins on the replay page: a note at the cursor, put on record, drawn by the browser."""

from __future__ import annotations

from typing import Any

from dash import Dash, Input, Output, State, no_update

from dashboards import ids, links
from dashboards.components.reviewer import REVIEWER
from dashboards.failure_words import failure_text
from dashboards.links import parse_instant
from dashboards.pages.page import Desk
from dashboards.queries import decisions
from dashboards.queries.session import sessions
from replay.errors import JointbookError


def pins_of(desk: Desk, found: sessions.Outline) -> list[dict[str, Any]]:
    """Return the session's pins as the browser draws them; times in s since the start."""
    rows = decisions.pinned(desk.archive, found.session, found.record.start, found.record.end)
    return [
        {
            "n": n,
            "pin": r["pin"],
            "start": (links.to_ns(r["start"]) - found.zero_ns) / 1e9,
            "end": (links.to_ns(r["end"]) - found.zero_ns) / 1e9,
            "joint": r["joint"] or "",
            "text": r["text"],
            "author": r["author"],
        }
        for n, r in enumerate(rows.iter_rows(named=True), 1)
    ]


def register_pins(app: Dash, desk: Desk) -> None:
    """Add the callbacks that keep a pin and hand all of them to the browser."""
    browser: Any = app  # Dash leaves this method without types
    browser.clientside_callback(
        "function (pins) { const r = window.jointbook.replay; "
        "if (pins && r && r.player) r.player.setPins(pins); return ''; }",
        Output("rp-pin-head", "title"),
        Input(ids.REPLAY_PINS, "data"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output(ids.REPLAY_PINS, "data"),
        Output("rp-pin-said", "children"),
        Output("rp-pin-text", "value"),
        Input("rp-pin-add", "n_clicks"),
        Input("rp-pin-text", "n_submit"),
        State("rp-pin-text", "value"),
        State(REVIEWER, "value"),
        State(ids.REPLAY_VIEW, "data"),
        prevent_initial_call=True,
    )
    def pin(
        clicks: int, enters: int | None, text: str | None, who: str | None, shown: dict[str, Any]
    ) -> Any:
        if not clicks and not enters:
            return no_update, no_update, no_update
        found = sessions.outline(desk.archive, shown["session"])
        at = parse_instant(shown["at"])
        if at is None:
            return no_update, "The cursor's instant could not be read.", no_update
        try:
            decisions.pin_span(
                desk.archive,
                found.session,
                links.to_datetime(at),
                0.0,
                None,
                text or "",
                who or "",
                shown.get("front"),
            )
        except JointbookError as error:
            return no_update, failure_text(error), no_update
        return pins_of(desk, found), "", ""
