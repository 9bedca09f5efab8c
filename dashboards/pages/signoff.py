"""Sign-off: what a session's signature states, what is missing, who signed before."""

from __future__ import annotations

from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from dashboards.components import basics
from dashboards.components.figure_card import aria
from dashboards.components.pickers import session_picker
from dashboards.components.queue_page.signing_parts import findings_table, past_list, signing_form
from dashboards.components.report_links import bundle_link, session_report_links
from dashboards.components.reviewer import REVIEWER, reviewer_field
from dashboards.failure_words import failure_text
from dashboards.links import View
from dashboards.pages.page import Desk, Page
from dashboards.queries import catalogue, record
from replay.errors import StaleError, UsageError

STATES = {
    "unchecked": "Not checked yet: the library page checks it.",
    "open": "Not signed.",
    "half-signed": "Signed by one reviewer; a second one is waited for.",
    "signed": "Signed.",
}


CHANGED = (
    "This session has changed since this page was opened, and nothing was signed. What is shown "
    "now is the present state: read it, then sign."
)


def layout(desk: Desk, view: View) -> Component:
    """Return the sign-off of the session asked for, else of the newest."""
    sessions = catalogue.sessions_of(desk.archive)
    if not sessions:
        return basics.message(
            "There is no session in this archive yet.", "Take logs in on the library page."
        )
    name = view.session or sessions[0][0]
    desk.archive.session(name)
    return html.Div(
        [
            html.Div(
                [html.H1("Sign-off"), session_picker("signoff-session", sessions, name, width=390),
                 reviewer_field(), session_report_links(name), bundle_link(name)],
                className="row",
            ),
            html.Div(body(desk, name), id="signoff-body"),
            dcc.Store(id="signoff-what", data=name),
            html.Span(id="signoff-moved", hidden=True),
            basics.caution(
                "A sign-off closes the review of one session. It does not clear the arm: that is "
                "for the operator's own rules, local codes and the people licensed to decide."
            ),
        ],
        className="signoff",
    )  # fmt: skip


def body(desk: Desk, session: str, said: Any = None) -> list[Component | None]:
    """Return everything that changes when somebody signs or reopens."""
    here = record.signing(desk.archive, session)
    return [
        html.Section(
            [
                html.H2("The session", id="signoff-title"),
                html.P(
                    [
                        html.Span(STATES[here.state], className="signoff-state"),
                        " Two reviewers are required." if here.two else "",
                    ]
                ),
                html.Div(said, id="signoff-said", **aria(live="assertive")),
                *[
                    basics.message(f"A later check, {words}.", "Nothing signed has changed.")
                    for words in here.later
                ],
                *[
                    basics.caution(words)
                    for words in record.cautions_of_session(
                        desk.archive, session, (f for f, _ in here.held)
                    )
                ],
                signing_form(here),
            ],
            className="sheet",
            **aria(labelledby="signoff-title"),
        ),
        html.Section(
            [html.H2("Findings", id="signoff-findings"), findings_table(session, here.held)],
            className="sheet",
            **aria(labelledby="signoff-findings"),
        )
        if here.held
        else None,
        html.Section(
            [html.H2("On record", id="signoff-past"), past_list(here.past)],
            className="sheet",
            **aria(labelledby="signoff-past"),
        )
        if here.past
        else None,
        html.Details(
            [
                html.Summary("The operator's setting"),
                html.Div(
                    [
                        html.Button(
                            "Require one reviewer" if here.two else "Require two reviewers",
                            id="signoff-two",
                            n_clicks=0,
                        ),
                        html.Span(
                            "Two different people must sign every session."
                            if here.two
                            else "One named reviewer signs a session.",
                            className="faint",
                        ),
                    ],
                    className="tools",
                ),
            ]
        ),
    ]


def register(app: Dash, desk: Desk) -> None:
    """Add the sign-off's callbacks."""
    app.clientside_callback(
        ClientsideFunction("jointbook_signoff", "open"),
        Output("signoff-moved", "title"),
        Input("signoff-session", "value"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("signoff-body", "children"),
        Output("signoff-said", "children"),
        Input("signoff-sign", "n_clicks"),
        Input("signoff-reopen", "n_clicks"),
        Input("signoff-two", "n_clicks"),
        State("signoff-read", "value"),
        State("signoff-remark", "value"),
        State("signoff-mark", "data"),
        State("signoff-what", "data"),
        State(REVIEWER, "value"),
        prevent_initial_call=True,
    )
    def act(
        sign: int, again: int, two: int, read: list[str] | None, remark: str | None,
        mark: str, session: str, who: str | None,
    ) -> Any:  # fmt: skip
        if not any(t["value"] for t in ctx.triggered):
            return no_update, no_update
        try:
            if ctx.triggered_id == "signoff-sign":
                if not read:
                    raise UsageError(
                        "say that you have read the statement", todo="tick it, then sign"
                    )
                made = record.sign(
                    desk.archive, session, reviewer=who or "", mark=mark, remark=remark or ""
                )
                words = f"Entry {made.signatures[-1].seq} of the record. "  # the state is above
                said: Any = [words, session_report_links(session)]
            elif ctx.triggered_id == "signoff-reopen":
                record.reopen(desk.archive, session, reviewer=who or "", why=remark or "")
                said = "Reopened. What was signed stays on record."
            else:
                needed = not record.signing(desk.archive, session).two
                record.ask_for_second_reviewer(desk.archive, needed, who=who or "")
                said = "Kept."
        except StaleError:
            return body(desk, session, html.Span(CHANGED, className="refused-words")), no_update
        except UsageError as error:
            return no_update, html.Span(failure_text(error), className="refused-words")
        return body(desk, session, html.P(said, role="status")), no_update


PAGE = Page(
    "sign-off",
    "Sign-off",
    "What a session's signature states, what is missing, and who signed.",
    layout,
    register,
)
