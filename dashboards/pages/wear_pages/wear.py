"""Wear: which unit is wearing, since when, how fast, and when its limit is reached.

Longer than 245 lines because the layout and the callbacks that name its parts are checked
against each other by eye.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from threading import Timer
from typing import Any
from urllib.parse import urlencode

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html, no_update, set_props
from dash.development.base_component import Component
from flask import Response, request

from dashboards import ids, links
from dashboards.components import basics
from dashboards.components.figure_card import figure_card, save_links
from dashboards.components.pickers import choice
from dashboards.components.report_links import unit_report_links
from dashboards.components.reviewer import REVIEWER, reviewer_field
from dashboards.components.saving import send_table
from dashboards.components.wear_page.wear_board import address, head_of_unit, multiples, plain
from dashboards.components.wear_page.wear_fleet import fleet_block
from dashboards.components.wear_page.wear_notes import limit_form, notes_block, notes_list
from dashboards.failure_words import failure_text
from dashboards.figures.wear import history_figure, reaches_limit
from dashboards.links import View
from dashboards.pages.page import Desk, Page
from dashboards.pages.wear_pages.wear_sheet import unit_sheet
from dashboards.queries import wear
from replay.errors import JointbookError
from replay.records import Trend
from replay.wording import counted

READY_AFTER_S = 3.0
"""Libraries that only this page needs are loaded this long after the start: not
in the way of the first page, and before anyone comes here."""

CAUTION = (
    "A date on this page is an estimate with an interval, from the sessions in this archive. "
    "It plans a look, a repair or a replacement. Brakes and "
    "margins that are in doubt are for the operator's own rules and licensed practice."
)


def layout(desk: Desk, view: View) -> Component:
    """Return the wear page for the history asked for, else the most pressing one."""
    asked = view.extra.get("against", "time")
    against = asked if asked in wear.AGAINST else "time"
    waiting, newer = wear.unmeasured(desk.archive), wear.unjudged_units(desk.archive, against)
    found = wear.all_trends(desk.archive, against)
    stored = desk.archive.count()
    head = _head(against, waiting, stored, newer)
    if not found:
        if not stored:
            words = (
                "There is no session in this archive yet.",
                "Take logs in on the library page.",
            )
        elif waiting:
            words = "No session has been measured for wear yet.", ""
        else:
            words = "There is no session in this archive whose joints moved.", ""
        return html.Div([head, basics.message(*words), basics.caution(CAUTION)], className="wear")
    fleet = wear.fleet_table(desk.archive)
    serial, indicator, in_vain = _chosen(view, found, fleet.row(0, named=True))
    if view.extra.get("sheet"):
        return unit_sheet(desk, found, serial, against)
    findings = wear.open_findings(desk.archive)
    order, before = view.extra.get("order", "attention"), view.extra.get("before", "")
    due = ""
    try:
        if order == "date" or before:
            fleet = wear.fleet_by_date(desk.archive, before)
            due = wear.due_before_words(desk.archive, before) if before else ""
    except JointbookError as error:
        in_vain, before = basics.message(failure_text(error), kind="trouble"), ""
    return html.Div(
        [
            head,
            in_vain,
            dcc.Store(
                id="wear-shown",
                data={
                    "serial": serial,
                    "indicator": indicator,
                    "against": against,
                    "order": order,
                    "before": before,
                },
            ),
            fleet_block(fleet, against, "date" if before else order, before, findings, due),
            _one(
                desk,
                found,
                findings.get(serial),
                serial,
                indicator,
                against,
                view.extra.get("reach") != "sessions",
            ),
            multiples(found, (serial, indicator), against),
            basics.caution(CAUTION),
        ],
        className="wear",
    )


def _chosen(
    view: View, found: Sequence[Trend], first: dict[str, Any]
) -> tuple[str, str, Component | None]:
    """Return serial and indicator to show, and a message on what was asked for in vain."""
    known: dict[str, list[str]] = {}
    for t in found:
        known.setdefault(t.serial, []).append(t.indicator)
    serial = view.extra.get("serial") or view.extra.get("unit") or first["serial"]
    if serial not in known:
        said = basics.message(
            f"No measured session names a unit “{serial}”. Known are {', '.join(sorted(known))}.",
            f"Shown is what needs attention first: {first['indicator']} of {first['serial']}.",
        )
        return first["serial"], first["indicator"], said
    usual = first["indicator"] if first["indicator"] in known[serial] else known[serial][0]
    indicator = view.extra.get("indicator") or usual
    if indicator not in known[serial]:
        words = f"There is no history of “{indicator}” of unit {serial} in this archive."
        return serial, usual, basics.message(words, f"Shown: its {usual}.")
    return serial, indicator, None


def register(app: Dash, desk: Desk) -> None:
    """Add the page's callbacks and routes."""
    ready = Timer(READY_AFTER_S, wear.get_ready)
    ready.daemon = True
    ready.start()
    in_browser = app.clientside_callback
    in_browser(
        ClientsideFunction("jointbook_wear", "look"),
        Output("wear-said", "title"),
        Input("wear-history", "clickData"),
        prevent_initial_call=True,
    )
    in_browser(
        ClientsideFunction("jointbook_wear", "against"),
        Output("wear-against", "title"),
        Input("wear-against", "value"),
        State("wear-shown", "data"),
        prevent_initial_call=True,
    )

    in_browser(
        ClientsideFunction("jointbook_wear", "order"),
        Output("wear-order", "title"),
        Input("wear-order", "value"),
        Input("wear-before", "value"),
        State("wear-shown", "data"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("wear-said", "children"),
        Input("wear-measure", "n_clicks"),
        State("wear-against", "value"),
        prevent_initial_call=True,
    )
    def measure(clicks: int | None, against: str | None) -> Any:
        if not clicks:
            return no_update
        axis = against if against in wear.AGAINST else "time"
        desk.jobs.start(
            "Measure wear", lambda step: wear.measure_all(desk.archive, step.wrap, axis)
        )
        set_props(ids.JOBS_BEAT, {"disabled": False})
        return "measuring; come back to this page when it is done"

    @app.callback(
        Output("wear-note-said", "children"),
        Output("wear-note-list", "children"),
        Input("wear-note-save", "n_clicks"),
        State("wear-note-date", "value"),
        State("wear-note-what", "value"),
        State("wear-note-detail", "value"),
        State("wear-shown", "data"),
        State(REVIEWER, "value"),
        prevent_initial_call=True,
    )
    def keep_note(
        clicks: int | None, when: str, what: str, detail: str | None, shown: dict[str, str],
        who: str | None,
    ) -> Any:  # fmt: skip
        if not clicks:
            return no_update, no_update
        try:
            wear.note(desk.archive, shown["serial"], when or "", what, detail or "", who or "")
        except JointbookError as error:
            return html.Span(failure_text(error), className="refused-words"), no_update
        kept = notes_list(wear.notes_of(desk.archive, shown["serial"]))
        return _again(shown, f"recorded: {what} on {when}"), kept

    @app.callback(
        Output("wear-limit-said", "children"),
        Input("wear-limit-save", "n_clicks"),
        State("wear-limit", "value"),
        State("wear-shown", "data"),
        State(REVIEWER, "value"),
        prevent_initial_call=True,
    )
    def keep_limit(
        clicks: int | None, text: str | None, shown: dict[str, str], who: str | None
    ) -> Any:
        if not clicks:
            return no_update
        try:
            value = float(text) if text and text.strip() else None
            wear.keep_limit(desk.archive, shown["indicator"], value, shown["serial"], who or "")
        except ValueError:
            return html.Span(f"{text!r} is not a number", className="refused-words")
        except JointbookError as error:
            return html.Span(failure_text(error), className="refused-words")
        return _again(shown, "limit kept" if value is not None else "limit removed")

    @app.server.route("/data/wear/trends.<form>")
    def save_trends(form: str) -> Response | tuple[str, int]:
        against = request.args.get("against", "time")
        against = against if against in wear.AGAINST else "time"
        return send_table(wear.flat(wear.all_trends(desk.archive, against)), "wear", form)

    @app.server.route("/data/wear/history.<form>")
    def save_history(form: str) -> Response | tuple[str, int]:
        serial, indicator = request.args.get("serial", ""), request.args.get("indicator", "")
        against = request.args.get("against", "time")
        try:
            found = wear.history(desk.archive, serial, indicator, against)
        except JointbookError as error:
            return failure_text(error), 404
        return send_table(found.points, "history", form)


def _head(against: str, waiting: int, stored: int, newer: int) -> Component:
    return html.Div(
        [
            html.H1("Wear"),
            choice("Against", "wear-against", wear.AGAINST, against, width=150),
            save_links(
                "all trends",
                {f: f"/data/wear/trends.{f.lower()}?against={against}" for f in ("CSV", "Parquet")},
            ),
            html.Button(
                f"Measure {counted(waiting, 'session')}"
                if waiting
                else f"Judge {counted(newer, 'unit')} with newer sessions"
                if newer
                else ("All sessions are measured" if stored else "No session to measure"),
                id="wear-measure",
                type="button",
                disabled=not (waiting or newer),
            ),
            html.Span(id="wear-said", role="status"),
            reviewer_field(),
        ],
        className="row",
    )


def _one(
    desk: Desk,
    trends: Sequence[Trend],
    waiting: wear.OpenFindings | None,
    serial: str,
    indicator: str,
    against: str,
    to_limit: bool,
) -> Component:
    found = wear.history(desk.archive, serial, indicator, against)
    projection = (found.trend.detail.get("projection") if found.trend else None) or {}
    last = wear.last_session(trends, serial)
    facts = html.Dl(
        [html.Div([html.Dt(k), html.Dd(v)]) for k, v in wear.facts(found)], className="facts"
    )
    name = f"{indicator[:1].upper()}{indicator[1:]}"
    words = f"{name}: {wear.about(indicator)}. Choose a point to see its session in the replay."
    place = f"{found.history.arm} {found.history.joint}".strip()
    save = save_links(
        "this history",
        {
            f: f"/data/wear/history.{f.lower()}?"
            + urlencode({"serial": serial, "indicator": indicator, "against": against})
            for f in ("CSV", "Parquet")
        },
    )
    return html.Div(
        [
            figure_card(
                "wear-history",
                f"{indicator} of {serial}, {place}",
                history_figure(
                    found, to_limit=to_limit, place=wear.place_of(desk.archive, found.points)
                ),
                html.Div(
                    [
                        html.Details([html.Summary("Statistics"), facts], className="wear-facts"),
                        html.P(words),
                        limit_form(indicator, found.history.unit, projection.get("limit")),
                        _recent(found.points),
                    ]
                ),
                height=340,
                lead=html.Div(
                    [
                        html.P(wear.sentence(found), className="wear-lead wear-sentence"),
                        head_of_unit(waiting),
                    ]
                ),
                tools=[
                    *(
                        [_reach(serial, indicator, against, to_limit)]
                        if reaches_limit(found)
                        else []
                    ),
                    basics.go(
                        "Unit sheet",
                        links.href("wear", View(), serial=serial, sheet="yes"),
                        className="button quiet",
                    ),
                    unit_report_links(serial),
                    save,
                ],
            ),
            notes_block(
                serial,
                found.notes,
                "" if last is None else f"{last:%Y-%m-%d}",
                duty=wear.duty_words(desk.archive, serial),
                missing=wear.missing(trends, desk.archive, serial),
            ),
        ]
    )


def _reach(serial: str, indicator: str, against: str, to_limit: bool) -> Component:
    extra = {"serial": serial, "indicator": indicator, "against": against}
    words = "Sessions only" if to_limit else "Up to the limit"
    address = links.href("wear", View(), **extra, reach="sessions" if to_limit else "")
    return basics.go(words, address, className="button quiet")


def _recent(points: Any) -> Component:
    """Return links to the latest sessions: the click on a point, for the keyboard."""
    rows = points.tail(6).iter_rows(named=True)
    return html.Details(
        [
            html.Summary("Latest sessions"),
            html.Ul(
                [
                    html.Li(
                        basics.go(
                            f"{r['start']:%Y-%m-%d}: {plain(r['value'])}",
                            links.href(
                                "replay",
                                View(
                                    session=r["session"],
                                    at_ns=links.to_ns(r["at"] or r["start"]),
                                    joints=(r["joint"],),
                                ),
                            ),
                        )
                    )
                    for r in rows
                ]
            ),
        ]
    )


def _again(shown: dict[str, str], words: str) -> Component:
    """Return words and the link that shows the page with what was kept."""
    fresh = address(shown["serial"], shown["indicator"], shown["against"])
    # A changed address makes the frame render the page again.
    fresh += f"&kept={int(datetime.now(UTC).timestamp())}"
    return html.Span([words, "; ", basics.go("show it", fresh)])


PAGE = Page(
    name="wear",
    title="Wear",
    about="Which unit is wearing, since when, how fast, and when its limit is reached.",
    layout=layout,
    register=register,
    words={
        "serial": None,
        "unit": None,
        "indicator": None,
        "against": tuple(wear.AGAINST),
        "kept": None,
        "order": ("attention", "date"),
        "before": None,
        "sheet": ("yes",),
        "reach": ("sessions",),
    },
)
