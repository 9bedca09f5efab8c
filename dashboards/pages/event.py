"""Event: one flag as an investigator takes it apart.

The story is drawn with the page; the other parts follow on their own, so that
a slow one never holds up what is already known.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component
from flask import Response, request

from dashboards import links
from dashboards.components import basics, event_sections
from dashboards.components.event_parts import evidence_list, pin_form, pins_part
from dashboards.components.pickers import session_picker
from dashboards.components.plates import aria, plate, save_links
from dashboards.components.saving import send_table
from dashboards.components.verdicts import reviewer_field, verdict_form, verdict_line
from dashboards.figures import event as draw
from dashboards.links import View
from dashboards.pages.event_callbacks import register_sections
from dashboards.pages.page import Desk, Page
from dashboards.queries import catalogue, decisions, events
from dashboards.queries.event_tables import TABLES, event_table
from dashboards.queries.scores import RATES
from replay.errors import JointbookError, UsageError
from replay.units import channel


def layout(desk: Desk, view: View) -> Component:
    """Return the event asked for, or what there is to choose from."""
    sessions = catalogue.sessions_of(desk.archive)
    if not sessions:
        return basics.message("There is no session yet.", "Take logs in on the library page.")
    session = view.session or events.last_flagged(desk.archive) or sessions[0][0]
    if view.flag is None and not (view.joints and view.start_ns and view.end_ns):
        return _choose(desk, session, sessions)
    event = _event(desk, view, session)
    window = _window(event, view)
    return html.Div(
        [
            _head(desk, event, view),
            html.Div([_words(desk, event), _verdict(desk, event)], className="event-top"),
            _contents(),
            _story(desk, event, window),
            *event_sections.placeholders(
                view, RATES, {name: _saved(event, window, name, view) for name in TABLES}, TABLES
            ),
            html.Section(
                [
                    html.H2("Pins", id="pins"),
                    html.Div(id="event-pins", **aria(live="polite")),
                    pin_form(),
                ],
                className="sheet",
                **aria(labelledby="pins"),
            ),
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
            dcc.Store(id="event-window"),
            dcc.Store(id="event-pins-changed", data=0),
            basics.caution(
                "What is shown here advises; it never clears an arm to move. A slipping or late "
                "brake can let a joint and whatever it carries move by itself: keep people off the "
                "tip and follow the operator's rules, local codes and licensed practice."
            ),
        ],
        className="event",
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
        figure = _story_figure(desk, event, start, end)
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
        at: float | None,
        until: float | None,
        text: str | None,
        who: str | None,
        changed: int,
    ) -> Any:
        event = event_of(desk, what)
        said: str = ""
        keep: Any = no_update
        hit = ctx.triggered_id
        try:
            if hit == "event-pin-add" and add:
                if at is None:
                    raise UsageError("say when", todo="click on the plot or type the seconds")
                decisions.pin_span(
                    desk.archive, event.record.session, event.start, float(at),
                    None if until is None else float(until), text or "", who or "", event.joint,
                )  # fmt: skip
                changed, keep = changed + 1, ""
            elif isinstance(hit, dict) and any(withdraw):
                decisions.unpin(desk.archive, event.record.session, hit["pin"], who or "")
                changed += 1
        except UsageError as error:
            said = error.sentence()
        shown = decisions.pinned(
            desk.archive, event.record.session, event.record.start, event.record.end
        )
        return pins_part(shown, event.start), changed, said, keep

    in_browser(
        ClientsideFunction("jointbook_event", "open"),
        Output("event-choose-said", "children"),
        Input("event-session", "value"),
        prevent_initial_call=True,
    )

    @app.server.route("/data/event/table/<what>.<form>")
    def save_table(what: str, form: str) -> Response | tuple[str, int]:
        view = links.read(request.query_string.decode())
        try:
            event = _event(desk, view, view.session or "")
            count = view.extra.get("k", "")
            rows = event_table(
                desk.archive, event, what, *_window(event, view),
                int(count) if count.isdigit() else 5,
            )  # fmt: skip
        except JointbookError as error:
            return error.sentence(), 404
        return send_table(rows, f"{event.record.session}-{event.joint}-{what}", form)

    @app.server.route("/data/event/<session>/<joint>.<form>")
    def save_span(session: str, joint: str, form: str) -> Response | tuple[str, int]:
        try:
            view = links.read(request.query_string.decode())
            if view.start_ns is None or view.end_ns is None:
                raise UsageError("a span needs `from` and `to`")
            rows = events.span_rows(
                desk.archive, session, joint,
                links.to_datetime(view.start_ns), links.to_datetime(view.end_ns),
            )  # fmt: skip
        except JointbookError as error:
            return error.sentence(), 404
        return send_table(rows, f"{session}-{joint}", form)


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


def event_of(desk: Desk, what: dict[str, Any]) -> events.Event:
    """Return the event that the page's store describes."""
    return events.find_event(
        desk.archive,
        what["session"],
        what["flag"],
        joint=what["joint"],
        start=datetime.fromisoformat(what["start"]),
        end=datetime.fromisoformat(what["end"]),
    )


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


def _head(desk: Desk, event: events.Event, view: View) -> Component:
    session = event.record.session
    flags = events.flags_of(desk.archive, session)
    names = flags["flag"].to_list() if flags.height else []
    at = names.index(event.flag) if event.flag in names else None
    step = []
    if at is not None:
        for text, to in (("Previous flag", at - 1), ("Next flag", at + 1)):
            if 0 <= to < len(names):
                step.append(
                    basics.go(
                        text,
                        links.href("event", View(session=session, flag=names[to])),
                        className="button quiet",
                    )
                )
    replay = links.href(
        "replay",
        View(
            session=session,
            start_ns=links.to_ns(events.window_around(event)[0]),
            end_ns=links.to_ns(events.window_around(event)[1]),
            at_ns=links.to_ns(event.start),
            flag=event.flag,
        ),
    )
    return html.Div(
        [
            html.P(
                [
                    basics.go("Review", links.href("review", View(session=session))),
                    f" of {session}, {event.record.arm}, {event.record.start:%Y-%m-%d}",
                ],
                className="crumb",
            ),
            html.Div(
                [
                    html.H1(f"{event.joint} · {event.kind}"),
                    basics.severity(event.severity) if event.severity else None,
                    html.Span(
                        f"unit {event.serial} · {event.start:%H:%M:%S}."
                        f"{event.start.microsecond // 1000:03d} UTC for {event.seconds:.2f} s",
                        className="faint",
                    ),
                    basics.go("Step through it in the replay", replay, className="button"),
                    *step,
                ],
                className="row",
            ),
        ]
    )


def _words(desk: Desk, event: events.Event) -> Component:
    score = "" if event.score is None else f"Score {event.score:.2f}: {_chance(event.score)}. "
    against = f"Checked against baseline {event.baseline}." if event.baseline else ""
    return html.Section(
        [
            html.H2("Evidence", id="evidence"),
            html.P(event.summary, className="flag-summary"),
            html.P([score, against], className="faint"),
            evidence_list(event.evidence),
        ],
        className="sheet",
        **aria(labelledby="evidence"),
    )


def _chance(score: float) -> str:
    if score >= 4.0:  # past what training hours can tell, digits would be made up
        return "chance alone shows this less than once in 10,000 joint-hours"
    return f"chance alone shows this in about one of {10**score:,.0f} joint-hours"


def _verdict(desk: Desk, event: events.Event) -> Component:
    parts: list[Any] = [html.H2("Verdict", id="verdict"), reviewer_field()]
    if event.flag is None:
        parts.append(
            html.P("A span of your own is not a flag: pin a note to it.", className="faint")
        )
    else:
        session = event.record.session
        history = decisions.history(desk.archive, session, event.flag)
        holds = (
            history.row(-1, named=True)
            if history.height
            else {"verdict": decisions.OPEN, "note": ""}
        )
        parts += [
            verdict_form(session, event.flag, holds["verdict"], holds["note"], decisions.VERDICTS),
            html.Div(
                verdict_line(history),
                id={"type": "verdict-line", "flag": event.flag, "session": session},
            ),
        ]
    return html.Section(parts, className="sheet", **aria(labelledby="verdict"))


def _contents() -> Component:
    names = (
        ("Story", "event-story-title"),
        ("Similar motions", "likes"),
        ("Score and what if", "scores"),
        ("Other joints", "others"),
        ("Brakes", "brakes"),
        ("Sensors", "sensors"),
        ("Pins", "pins"),
    )
    return html.Nav(
        [html.A(text, href=f"#{anchor}") for text, anchor in names],
        className="event-contents",
        **aria(label="Parts of this event"),
    )


def _story(desk: Desk, event: events.Event, window: tuple[datetime, datetime]) -> Component:
    start, end = window
    span = View(start_ns=links.to_ns(start), end_ns=links.to_ns(end))
    base = f"/data/event/{event.record.session}/{event.joint}"
    query = links.href("", span).partition("?")[2]
    return plate(
        "event-story",
        "Before, during, after",
        _story_figure(desk, event, start, end),
        "The shaded stretch is the event. Drag over a plot to zoom in, double-click to come back; "
        "a click puts its instant into the pin form.",
        height=470,
        tools=[
            save_links(
                "every sample of this span",
                {form: f"{base}.{form.lower()}?{query}" for form in ("CSV", "Parquet")},
            )
        ],
    )


def _story_figure(desk: Desk, event: events.Event, start: datetime, end: datetime) -> Any:
    rows = events.joint_rows(desk.archive, event, start, end)
    known = {name for names in event.record.channels.values() for name in names}
    brakes = [
        (word, events.channel_runs(desk.archive, event, name, start, end))
        for word, name in (
            ("told", channel(event.joint, "brake_engage_cmd")),
            ("state", channel(event.joint, "brake_engaged")),
        )
        if name in known
    ]
    pins = decisions.pinned(desk.archive, event.record.session, start, end)
    return draw.story(
        rows,
        event.start,
        event.end,
        joint_index=event.record.joints.index(event.joint),
        brakes=brakes,
        pins=pins,
    )


def _choose(desk: Desk, session: str, sessions: list[tuple[str, str]]) -> Component:
    flags = events.flags_of(desk.archive, session)
    items = [
        html.Li(
            [
                basics.severity(r["severity"]),
                " ",
                basics.go(
                    f"{r['joint']} · {r['kind']} at {r['start']:%H:%M:%S}",
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
            html.P("Choose a flag of this session.", id="event-choose-said")
            if items
            else html.P(
                "This session has no flag. An event may also be a span: mark one in the replay.",
                id="event-choose-said",
            ),
            html.Ul(items, className="stack"),
            basics.caution(),
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
