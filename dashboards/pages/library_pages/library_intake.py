"""Around the taking in: a joint shown as the map on the sheet reads it, and the check after it."""

from __future__ import annotations

import threading
from typing import Any

from dash import MATCH, Dash, Input, Output, State, no_update, set_props
from dash.development.base_component import Component

from dashboards import ids
from dashboards.components.library_page.intake import looked_at
from dashboards.components.library_page.taken_in import CHECK, TAKEN, checked
from dashboards.jobs import Step
from dashboards.pages.page import Desk
from dashboards.queries import intake, record, work


def register(app: Dash, hall: intake.Intake, store: str) -> None:
    """Add the callbacks of the review step; ``store`` holds which batch is on the sheet."""

    def here(kind: str) -> dict[str, Any]:
        return {"type": f"library-{kind}", "group": MATCH}

    @app.callback(
        Output(here("look-result"), "children"),
        Output(here("look-joint"), "options"),
        Output(here("look-joint"), "value"),
        Input(here("look"), "n_clicks"),
        Input(here("look-joint"), "value"),
        State(here("map"), "value"),
        State(here("look-log"), "data"),
        State(store, "data"),
        prevent_initial_call=True,
    )
    def show(
        clicks: int, joint: str | None, text: str, log: str, data: dict[str, Any] | None
    ) -> Any:
        if not clicks or not data:
            return no_update, no_update, no_update
        seen = intake.look(hall.batch(data["batch"]), log, text or "")
        if not seen.joints:
            return looked_at(seen, ""), [], None
        chosen = joint if joint in seen.joints else seen.joints[0]
        return looked_at(seen, chosen), list(seen.joints), chosen


def register_check(
    app: Dash, desk: Desk, outcomes: dict[str, Component], guard: threading.Lock
) -> None:
    """Add the check of what was just taken in; ``outcomes`` holds what the page says next."""

    @app.callback(
        Output(CHECK, "disabled"),
        Input(CHECK, "n_clicks"),
        State(TAKEN, "data"),
        prevent_initial_call=True,
    )
    def check_taken(clicks: int, names: list[str] | None) -> Any:
        if not clicks or not names:
            return no_update

        def run(step: Step) -> str:
            said = work.check(desk.archive, names, step)
            waits = {n: len(record.queue(desk.archive, session=n)) for n in names}
            with guard:
                outcomes["last"] = checked(waits)
            return said

        desk.jobs.start("Checking what was taken in", run)
        set_props(ids.JOBS_BEAT, {"disabled": False})
        return True
