"""Event: one flag as an investigator takes it apart.

The story is drawn with the page; each other part is filled when it is opened, so that none
holds up what decides. What is folded is not printed either (`assets/00_frame.css`).

Longer than 245 lines because the layout and the callbacks that name its parts are checked
against each other by eye.
"""

from __future__ import annotations

from datetime import datetime
from secrets import token_hex
from typing import Any

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component
from flask import Response, request

from dashboards import links
from dashboards.components import basics
from dashboards.components.event_page import event_sections
from dashboards.components.event_page.argument import measured_part
from dashboards.components.event_page.event_parts import pin_form, pins_part
from dashboards.components.figure_card import aria
from dashboards.components.news import news_mark
from dashboards.components.pickers import session_picker
from dashboards.components.saving import send_table
from dashboards.failure_words import failure_text
from dashboards.links import View
from dashboards.pages.event_pages.event_callbacks import event_of, register_sections
from dashboards.pages.event_pages.event_story import story, story_figure
from dashboards.pages.event_pages.event_top import causes, contents, danger, head, verdict, words
from dashboards.pages.page import Desk, Page
from dashboards.queries import catalogue, decisions, news
from dashboards.queries.event import events
from dashboards.queries.event.argument import argument, kept_figures
from dashboards.queries.event.event_tables import TABLES, event_table
from dashboards.queries.event.scores import RATES
from dashboards.queries.record import COULD_HURT, person_words
from replay.errors import JointbookError, UsageError
from replay.wording import clock, kind_words

FLAG_CAUTION = "A flag is a reason to look, not a diagnosis."
"""That the program never clears an arm stands once, at the foot of every page."""


def layout(desk: Desk, view: View) -> Component:
    """Return the event asked for, or what there is to choose from."""
    sessions = catalogue.sessions_of(desk.archive)
    if not sessions:
        return basics.message("There is no session yet.", "Take logs in on the library page.")
    asked = catalogue.session_asked(desk.archive, view.session, view.flag)
    session = asked or events.last_flagged(desk.archive) or sessions[0][0]
    if view.flag is None and not (view.joints and view.start_ns and view.end_ns):
        return _choose(desk, session, sessions)
    if view.flag and view.flag not in events.flags_of(desk.archive, session)["flag"]:
        return _choose(desk, session, sessions, gone=view.flag)
    mark = news_mark(news.last_entry(desk.archive), session)
    event = _event(desk, view, session)
    window = _window(event, view)
    figures = kept_figures(desk.archive, session, event.flag)
    said = argument(desk.archive, session, event.flag, event.kind)
    others = causes(event, said)
    return html.Div(
        [
            mark,
            head(desk, event, view),
            danger(event, figures),
            *_person(desk, event),
            html.Div([words(desk, event, said), verdict(desk, event)], className="event-top"),
            contents(causes=others is not None),
            story(desk, event, window),
            others,
            *event_sections.placeholders(
                view,
                RATES,
                {name: _saved(event, window, name, view) for name in TABLES},
                TABLES,
                event.kind,
            ),
            html.Details(
                [
                    html.Summary(html.H2("Pins", id="pins")),
                    html.Div(id="event-pins", **aria(live="polite")),
                    pin_form(),
                ],
                className="sheet event-fold",
                open=True,
            ),
            measured_part(event.evidence),
            dcc.Store(
                id="event-what",
                data={
                    "session": session,
                    "flag": event.flag,
                    "joint": event.joint,
                    "start": event.start.isoformat(),
                    "end": event.end.isoformat(),
                    "from": window[0].isoformat(),
                    "to": window[1].isoformat(),
                },
            ),
            dcc.Store(id="event-arrived"),
            dcc.Store(id="event-window"),
            dcc.Store(id="event-pins-changed", data=0),
            dcc.Store(id="event-news", data=0),
            None if danger(event, figures) else basics.caution(FLAG_CAUTION),
        ],
        className="event",
        # a part that stands open is asked for once a layout, whoever opened it and when
        **basics.attributes(data_layout=token_hex(4)),
    )


def register(app: Dash, desk: Desk) -> None:
    """Add the event page's callbacks and routes."""
    in_browser = app.clientside_callback
    in_browser(
        ClientsideFunction("jointbook_event", "zoomed"),
        Output("event-window", "data"),
        Input("event-story", "relayoutData"),
        State("event-what", "data"),
        prevent_initial_call=True,
    )
    in_browser(
        ClientsideFunction("jointbook_event", "picked"),
        Output("event-pin-from", "value"),
        Input("event-story", "clickData"),
        prevent_initial_call=True,
    )
    register_sections(app, desk)

    @app.callback(
        Output("event-story", "figure"),
        Input("event-window", "data"),
        Input("event-pins-changed", "data"),
        State("event-what", "data"),
        prevent_initial_call=True,
    )
    def redraw(window: dict[str, str] | None, changed: int, what: dict[str, Any]) -> Any:
        event = event_of(desk, what)
        window = window or {}
        start = datetime.fromisoformat(window.get("from") or what["from"])
        end = datetime.fromisoformat(window.get("to") or what["to"])
        figure = story_figure(desk, event, start, end)
        if window.get("from"):
            figure.update_xaxes(range=[(t - event.start).total_seconds() for t in (start, end)])
        return figure

    @app.callback(
        Output("event-pins", "children"),
        Output("event-pins-changed", "data"),
        Output("event-pin-said", "children"),
        Output("event-pin-text", "value"),
        Input("event-what", "data"),
        Input("event-pin-add", "n_clicks"),
        Input({"type": "pin-withdraw", "pin": ALL}, "n_clicks"),
        Input("event-news", "data"),
        State("event-pin-from", "value"),
        State("event-pin-to", "value"),
        State("event-pin-text", "value"),
        State("reviewer-name", "value"),
        State("event-pins-changed", "data"),
    )
    def pin(
        what: dict[str, Any],
        add: int,
        withdraw: list[int],
        others: int,
        at: float | None,
        until: float | None,
        text: str | None,
        who: str | None,
        changed: int,
    ) -> Any:
        event = event_of(desk, what)
        trouble: str = ""
        keep: Any = no_update
        before, hit = changed, ctx.triggered_id
        try:
            if hit == "event-pin-add" and add:
                if at is None:
                    raise UsageError("say when", todo="click on the plot or type the seconds")
                decisions.pin_span(
                    desk.archive, event.record.session, event.start, float(at),
                    None if until is None else float(until), text or "", who or "", event.joint,
                )  # fmt: skip
                changed, keep = changed + 1, ""
            elif isinstance(hit, dict) and ctx.triggered[0]["value"]:
                decisions.unpin(desk.archive, event.record.session, hit["pin"], who or "")
                changed += 1
            elif hit == "event-news":
                changed += 1
        except UsageError as error:
            trouble = failure_text(error)
        shown = decisions.pinned(
            desk.archive, event.record.session, event.record.start, event.record.end
        )
        # the plot is drawn again only for pins that changed, not for the page's opening
        again = no_update if changed == before else changed
        return pins_part(shown, event.start), again, trouble, keep

    in_browser(
        ClientsideFunction("jointbook_event", "open"),
        Output("event-choose-said", "children"),
        Input("event-session", "value"),
        prevent_initial_call=True,
    )

    @app.server.route("/data/event/table/<what>.<form>")
    def save_table(what: str, form: str) -> Response | tuple[str, int]:
        view = links.read(request.query_string.decode("utf-8", "replace"))
        try:
            event = _event(desk, view, view.session or "")
            count = view.extra.get("k", "")
            rows = event_table(
                desk.archive, event, what, *_window(event, view),
                int(count) if count.isdigit() else 5,
            )  # fmt: skip
        except JointbookError as error:
            return failure_text(error), 404
        return send_table(rows, f"{event.record.session}-{event.joint}-{what}", form)

    @app.server.route("/data/event/<session>/<joint>.<form>")
    def save_span(session: str, joint: str, form: str) -> Response | tuple[str, int]:
        try:
            view = links.read(request.query_string.decode("utf-8", "replace"))
            if view.start_ns is None or view.end_ns is None:
                raise UsageError("a span needs `from` and `to`")
            rows = events.span_rows(
                desk.archive, session, joint,
                links.to_datetime(view.start_ns), links.to_datetime(view.end_ns),
            )  # fmt: skip
        except JointbookError as error:
            return failure_text(error), 404
        return send_table(rows, f"{session}-{joint}", form)


def _person(desk: Desk, event: events.Event) -> list[Component]:
    """Return the caution of a person on the tip: also of nobody's knowing, where that may hurt."""
    said = person_words(desk.archive, event.record.session, unknown=event.kind in COULD_HURT)
    return [basics.caution(words) for words in said]


def _saved(
    event: events.Event, window: tuple[datetime, datetime], name: str, view: View
) -> dict[str, str]:
    words = View(
        session=event.record.session,
        start_ns=links.to_ns(window[0]),
        end_ns=links.to_ns(window[1]),
        joints=() if event.flag else (event.joint,),
        flag=event.flag,
        extra={"k": view.extra.get("k", "")},
    )
    query = links.href("", words).partition("?")[2]
    return {form: f"/data/event/table/{name}.{form.lower()}?{query}" for form in ("CSV", "Parquet")}


def _event(desk: Desk, view: View, session: str) -> events.Event:
    def moment(ns: int | None) -> datetime | None:
        return None if ns is None else links.to_datetime(ns)

    return events.find_event(
        desk.archive,
        session,
        view.flag,
        joint=view.joints[0] if view.joints else None,
        start=moment(view.start_ns),
        end=moment(view.end_ns),
    )


def _window(event: events.Event, view: View) -> tuple[datetime, datetime]:
    if event.flag and view.start_ns and view.end_ns and view.end_ns > view.start_ns:
        start, end = links.to_datetime(view.start_ns), links.to_datetime(view.end_ns)
        if start <= event.record.end and end >= event.record.start:
            return start, end
    return events.window_around(event)


def _choose(desk: Desk, session: str, sessions: list[tuple[str, str]], gone: str = "") -> Component:
    flags = events.flags_of(desk.archive, session)
    checked = catalogue.last_check(desk.archive, session) if session else ""
    none_said = checked if "flags lost" in checked else "This session has no flag."
    items = [
        html.Li(
            [
                basics.severity(r["severity"]),
                " ",
                basics.go(
                    f"{events.place(r['joint'])} · {kind_words(r['kind'])} at {clock(r['start'])}",
                    links.href("event", View(session=session, flag=r["flag"])),
                ),
                html.Span(f" {r['summary']}", className="faint"),
            ]
        )
        for r in flags.iter_rows(named=True)
    ]
    return html.Div(
        [
            html.Div(
                [html.H1("Event"), session_picker("event-session", sessions, session)],
                className="row",
            ),
            basics.message(
                f"There is no flag “{gone}” in this session.", "A later check may have replaced it."
            )
            if gone
            else None,
            html.P("Choose a flag of this session.", id="event-choose-said")
            if items
            else html.P(
                f"{none_said} An event may also be a span: in the replay show one joint alone "
                "(S) and the window you mean, then choose Event in the menu.",
                id="event-choose-said",
            ),
            *[basics.caution(words) for words in person_words(desk.archive, session)],
            html.Ul(items, className="stack"),
            basics.caution(FLAG_CAUTION),
        ]
    )


PAGE = Page(
    "event",
    "Event",
    "One flag taken apart: evidence, similar motions, score, brakes, sensors, pins.",
    layout,
    register,
    event_sections.words(RATES),
)
