"""Around the taking in: a joint shown as the map on the sheet reads it, and the check after it."""

from __future__ import annotations

from typing import Any

from dash import ALL, MATCH, Dash, Input, Output, Patch, State, ctx, no_update, set_props

from dashboards import ids
from dashboards.components.library_page.intake import looked_at
from dashboards.components.library_page.taken_in import CHECK, TAKEN, check_stopped, checked
from dashboards.failure_words import failure_text
from dashboards.jobs import Cancelled, Step
from dashboards.pages.library_pages.outcomes import STARTED, Outcomes
from dashboards.pages.page import Desk
from dashboards.queries import intake, record, work
from replay.errors import JointbookError


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
        seen = hall.look(data["batch"], log, text or "")
        if not seen.joints:
            return looked_at(seen, ""), [], None
        chosen = joint if joint in seen.joints else seen.joints[0]
        return looked_at(seen, chosen), list(seen.joints), chosen


def register_check(app: Dash, desk: Desk, outcomes: Outcomes) -> None:
    """Add the check of what was just taken in; ``outcomes`` holds what the page says next."""

    @app.callback(
        Output({"type": CHECK, "of": ALL}, "disabled"),
        Output(STARTED, "data", allow_duplicate=True),
        Input({"type": CHECK, "of": ALL}, "n_clicks"),
        State({"type": TAKEN, "of": ALL}, "data"),
        prevent_initial_call=True,
    )
    def check_taken(clicks: list[int], taken: list[list[str]]) -> Any:
        pressed = [ctx.triggered_id == one["id"] for one in ctx.inputs_list[0]]
        unchanged = [no_update] * len(pressed)
        if not any(n for n, here in zip(clicks, pressed, strict=True) if here):
            return unchanged, no_update
        names = taken[pressed.index(True)]
        name = outcomes.begin()

        def run(step: Step) -> str:
            try:
                said = work.check(desk.archive, names, step)
                waits = {n: len(record.queue(desk.archive, session=n)) for n in names}
            except Exception as error:
                outcomes.say(name, check_stopped(names, why(error), name))
                raise
            outcomes.say(name, checked(waits))
            return said

        desk.jobs.start("Checking what was taken in", run)
        set_props(ids.JOBS_BEAT, {"disabled": False})
        begun = Patch()
        begun.append(name)
        return [True if here else no_update for here in pressed], begun


def why(error: Exception) -> str:
    """Return why work in the background has ended before it was done."""
    if isinstance(error, Cancelled):
        return "It was cancelled; what was finished before is kept."
    return (
        failure_text(error)
        if isinstance(error, JointbookError)
        else f"It failed: {failure_text(error)}"
    )
