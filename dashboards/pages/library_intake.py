"""The review step before logs are taken in: a joint shown as the map on the sheet reads it."""

from __future__ import annotations

from typing import Any

from dash import MATCH, Dash, Input, Output, State, no_update

from dashboards.components.intake import looked_at
from dashboards.queries import intake


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
