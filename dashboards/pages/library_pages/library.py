"""Library: every session of the archive, and the way in for new ones.

Longer than 245 lines because the layout and the callbacks that name its parts are checked
against each other by eye.
"""

from __future__ import annotations

from typing import Any

from dash import (
    ALL,
    ClientsideFunction,
    Dash,
    Input,
    Output,
    Patch,
    State,
    dcc,
    html,
    no_update,
    set_props,
)
from dash.development.base_component import Component

from dashboards import ids, links, theme
from dashboards.components import basics
from dashboards.components.figure_card import aria, save_links
from dashboards.components.library_page.intake import confirm_sheet, drop_zone
from dashboards.components.library_page.session_grid import GRID, grid_rows, session_grid
from dashboards.components.library_page.taken_in import taken_in
from dashboards.components.pickers import labelled
from dashboards.components.report_links import summary_report_links
from dashboards.jobs import Step
from dashboards.links import View
from dashboards.pages.library_pages import library_intake
from dashboards.pages.library_pages.library_intake import why
from dashboards.pages.library_pages.library_routes import add_routes
from dashboards.pages.library_pages.outcomes import STARTED, Outcomes
from dashboards.pages.page import Desk, Page
from dashboards.queries import baselines, catalogue, intake, work
from replay.wording import counted

INTAKE = "library-intake"


def layout(desk: Desk, view: View) -> Component:
    """Return the library; the address keeps the search words."""
    library = catalogue.library(desk.archive, catalogue.LISTED)
    return html.Div(
        [
            html.Div(
                [
                    html.H1("Library"),
                    html.Span(
                        _count_words(library),
                        id="library-count",
                        className="faint",
                    ),
                    labelled(
                        "Find",
                        dcc.Input(
                            id="library-find",
                            type="search",
                            value=view.extra.get("find", ""),
                            debounce=False,
                            placeholder="any word of a row",
                            style={"width": "220px"},
                        ),
                    ),
                    save_links(
                        "the list of sessions",
                        {
                            "CSV": "/data/library/sessions.csv",
                            "Parquet": "/data/library/sessions.parquet",
                        },
                    ),
                    html.Button("More columns", id="library-more", n_clicks=0),
                ],
                className="row",
            ),
            html.Div(
                [
                    html.Span("Chosen rows:", className="faint"),
                    html.Button("Replay", id="library-replay", disabled=True, n_clicks=0),
                    html.Button("Review", id="library-review", disabled=True, n_clicks=0),
                    html.Button("Compare two", id="library-compare", disabled=True, n_clicks=0),
                    html.Button("Learn from all", id="library-learn", n_clicks=0),
                    html.Button("Check all", id="library-check", n_clicks=0),
                    basics.go("Baseline", links.href("baseline", View())),
                    labelled(
                        "False flags per 100 joint-hours",
                        dcc.Input(
                            id="library-rate",
                            type="number",
                            value=1,
                            min=0.01,
                            max=100,
                            step="any",
                            style={"width": "80px"},
                        ),
                    ),
                    html.Span(_legend(), className="legend-line"),
                    summary_report_links(),
                ],
                className="tools library-tools",
            ),
            session_grid(library.rows, library.places),
            drop_zone(),
            html.Div(id="library-confirm", **aria(live="polite")),
            html.Div(id="library-outcome", **aria(live="polite")),
            dcc.Store(id=INTAKE),
            dcc.Store(id="library-nowhere"),
            dcc.Store(id=STARTED, storage_type="session", data=[]),
        ],
        className="library",
    )


def _count_words(library: catalogue.Library) -> str:
    """Say how many sessions there are, and whether older ones are not among the rows."""
    listed = library.rows.height
    if not library.of_all:
        return "No session yet: drop a log below."
    if listed >= library.of_all:
        return counted(listed, "session")
    return (
        f"{counted(library.of_all, 'session')}; the {listed} newest are listed, sorted and "
        "searched here, all are in the list to save"
    )


def _legend() -> list[Any]:
    return [
        html.Span([theme.SEVERITY_SHAPES["act"], " act"], className="severity act"),
        " ",
        html.Span([theme.SEVERITY_SHAPES["look"], " look"], className="severity look"),
        " ",
        html.Span([theme.SEVERITY_SHAPES["note"], " note"], className="severity note"),
        html.Span(
            "  worst flag of each joint, end A first; the bar: how complete its data are",
            className="faint",
        ),
    ]


def register(app: Dash, desk: Desk) -> None:
    """Add the library's callbacks and routes."""
    hall = intake.Intake(desk.asking)
    desk.at_stop.append(hall.close)
    outcomes = Outcomes()
    add_routes(app, desk, hall)
    library_intake.register(app, hall, INTAKE)
    library_intake.register_check(app, desk, outcomes)

    in_browser = app.clientside_callback
    in_browser(
        ClientsideFunction("jointbook_library", "find"),
        Output(GRID, "dashGridOptions"),
        Input("library-find", "value"),
        State(GRID, "dashGridOptions"),
    )
    in_browser(
        ClientsideFunction("jointbook_library", "more"),
        Output("library-more", "children"),
        Input("library-more", "n_clicks"),
        State(GRID, "id"),
    )
    in_browser(
        ClientsideFunction("jointbook_library", "chosen"),
        Output("library-replay", "disabled"),
        Output("library-review", "disabled"),
        Output("library-compare", "disabled"),
        Output("library-learn", "children"),
        Output("library-check", "children"),
        Input(GRID, "selectedRows"),
    )
    in_browser(
        ClientsideFunction("jointbook_library", "go"),
        Output("library-nowhere", "data"),
        Input("library-replay", "n_clicks"),
        Input("library-review", "n_clicks"),
        Input("library-compare", "n_clicks"),
        State(GRID, "selectedRows"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("library-confirm", "children"), Input(INTAKE, "data"), prevent_initial_call=True
    )
    def show_proposals(data: dict[str, Any] | None) -> Any:
        if not data:
            return None
        batch = hall.batch(data["batch"])
        if not batch.logs:
            return basics.message("No log among these files.", "Arm files and maps need a log.")
        return confirm_sheet(
            hall.propose(data["batch"]), intake.known_arms(desk.archive), sorted(batch.arms)
        )

    @app.callback(
        Output("library-confirm", "children", allow_duplicate=True),
        Input("library-discard", "n_clicks"),
        State(INTAKE, "data"),
        prevent_initial_call=True,
    )
    def discard(clicks: int, data: dict[str, Any] | None) -> Any:
        if not clicks or not data:
            return no_update
        hall.discard(data["batch"])
        return basics.message("The files were discarded; nothing was stored.")

    @app.callback(
        Output("library-confirm", "children", allow_duplicate=True),
        Output("library-outcome", "children", allow_duplicate=True),
        Output(STARTED, "data", allow_duplicate=True),
        Input("library-take", "n_clicks"),
        State(INTAKE, "data"),
        State({"type": "library-map", "group": ALL}, "value"),
        State("library-arm", "value"),
        prevent_initial_call=True,
    )
    def start_taking(
        clicks: int,
        data: dict[str, Any] | None,
        maps: list[str],
        arm: str | None,
    ) -> Any:
        if not clicks or not data:
            return no_update, no_update, no_update
        batch = hall.batch(data["batch"])
        texts = [text for text in maps if text and text.strip()]
        for text in texts:
            intake.check_map(text)
        arm_text = _arm_text(desk, batch, arm)

        name = outcomes.begin()

        def run(step: Step) -> str:
            try:
                result = work.take_in(desk.archive, batch, texts, arm_text, step)
            except Exception as error:
                outcomes.say(name, basics.message("Taking in stopped.", why(error)))
                raise
            hall.discard(data["batch"])
            unknown = baselines.not_judged(desk.archive, result.sessions)
            outcomes.say(name, taken_in(result, name, unknown))
            return (
                f"{len(result.sessions)} taken, {len(result.unchanged)} there already, "
                f"{len(result.refused)} refused"
            )

        logs = counted(len(batch.logs), "log")
        desk.jobs.start(f"Taking in {logs}", run)
        set_props(ids.JOBS_BEAT, {"disabled": False})
        said = basics.message("Taking the logs in; the page stays usable.")
        begun = Patch()  # other answers may be on their way to the same list
        begun.append(name)
        return None, said, begun

    @app.callback(
        Output("library-outcome", "children"),
        Input("library-learn", "n_clicks"),
        Input("library-check", "n_clicks"),
        State(GRID, "selectedRows"),
        State("library-rate", "value"),
        prevent_initial_call=True,
    )
    def start_work(
        learn: int, check: int, rows: list[dict[str, Any]] | None, rate: float | None
    ) -> Any:
        from dash import ctx

        chosen = [r["session"] for r in rows or []] or None
        count = counted(len(chosen), "session") if chosen else "all sessions"
        if ctx.triggered_id == "library-learn" and learn:
            if rate is None or not 0 < rate <= 100:
                return basics.message("The rate of false flags must be above 0 and at most 100.")
            desk.jobs.start(
                f"Learning from {count}",
                lambda step: work.learn(desk.archive, chosen, float(rate), step),
            )
        elif ctx.triggered_id == "library-check" and check:
            desk.jobs.start(
                f"Checking {count}", lambda step: work.check(desk.archive, chosen, step)
            )
        else:
            return no_update
        set_props(ids.JOBS_BEAT, {"disabled": False})
        return None

    @app.callback(
        Output(GRID, "rowData"),
        Output("library-count", "children"),
        Input(ids.JOBS_DONE, "data"),
        prevent_initial_call=True,
    )
    def refresh(done: list[str]) -> Any:
        library = catalogue.library(desk.archive, catalogue.LISTED)
        return grid_rows(library.rows, library.places), _count_words(library)

    @app.callback(
        Output("library-outcome", "children", allow_duplicate=True),
        Output(STARTED, "data", allow_duplicate=True),
        Input(ids.JOBS_DONE, "data"),
        Input(STARTED, "data"),  # comes too when the page is there again
        prevent_initial_call=True,
    )
    def tell(done: list[str], begun: list[str] | None) -> Any:
        found = outcomes.of(begun or [])
        if not found:
            return no_update, no_update
        waited = Patch()
        for name in found:
            waited.remove(name)
        return list(found.values()), waited


def _arm_text(desk: Desk, batch: intake.Batch, choice: str | None) -> str | None:
    kind, _, name = (choice or "").partition(":")
    if kind == "file" and name in batch.arms:
        return (batch.folder / name).read_text("utf-8")
    if kind == "kept":
        return intake.known_arms(desk.archive).get(name)
    return None


PAGE = Page(
    "library",
    "Library",
    "Every session of the archive; take in new logs, learn and check.",
    layout,
    register,
    {"find": None},
)
