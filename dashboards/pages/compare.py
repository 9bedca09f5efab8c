"""Compare: two sessions or spans, aligned by motion, differences by joint."""

from __future__ import annotations

from collections.abc import Container
from datetime import datetime
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html
from dash.development.base_component import Component
from flask import Response, request

from dashboards import links
from dashboards.components import basics
from dashboards.components.pickers import session_picker
from dashboards.components.saving import send_table
from dashboards.failure_words import failure_text
from dashboards.figures import compare as draw
from dashboards.figures.event import QUANTITIES as TRACES
from dashboards.links import View
from dashboards.pages.compare_pairs import opening_joint, pair_words, pairs_words
from dashboards.pages.compare_parts import (
    by_joint,
    nothing,
    one_joint,
    sides,
    spans,
    when,
)
from dashboards.pages.page import Desk, Page
from dashboards.queries import catalogue, comparison
from replay.errors import JointbookError, UsageError

CAUTION = (
    "A difference is a question, not a finding: another payload, base end, temperature or unit "
    "explains many."
)


def layout(desk: Desk, view: View) -> Component:
    """Return the comparison of the two sessions asked for, else the two newest."""
    sessions = catalogue.sessions_of(desk.archive)
    if len(sessions) < 2:
        return basics.message(
            "A comparison needs two sessions.", "Take more logs in on the library page."
        )
    second = view.extra.get("with") or sessions[0][0]
    first = view.session or next(s for s, _ in sessions if s != second)
    head = html.Div(
        [
            html.H1("Compare"),
            session_picker("compare-first", sessions, first, "First"),
            session_picker("compare-second", sessions, second, "Second"),
        ],
        className="row",
    )
    try:
        made = _made(desk, view, first, second)
    except JointbookError as error:
        return html.Div([head, basics.message(failure_text(error), kind="trouble")])
    joint = view.joints[0] if view.joints and view.joints[0] in made.joints else None
    joint = joint or opening_joint(made)
    return html.Div(
        [
            head,
            spans(view, made),
            sides(made),
            *([by_joint(made, view), *one_joint(made, view, joint)] if joint else [nothing(made)]),
            dcc.Store(
                id="compare-what",
                data={
                    "first": first,
                    "second": second,
                    "search": links.href("", view).partition("?")[2],
                },
            ),
            basics.caution(CAUTION),
        ],
        className="compare",
    )


def register(app: Dash, desk: Desk) -> None:
    """Add the comparison's callbacks and routes."""
    in_browser = app.clientside_callback
    in_browser(
        ClientsideFunction("jointbook_compare", "open"),
        Output("compare-spans", "title"),
        Input("compare-first", "value"),
        Input("compare-second", "value"),
        Input("compare-apply", "n_clicks"),
        State("compare-span-1a", "value"),
        State("compare-span-1b", "value"),
        State("compare-span-2a", "value"),
        State("compare-span-2b", "value"),
        State("compare-starts", "data"),
        prevent_initial_call=True,
    )
    in_browser(
        ClientsideFunction("jointbook_compare", "chosen"),
        Output("compare-what", "modified_timestamp"),
        Input("compare-of", "value"),
        Input("compare-joint", "value"),
        Input("compare-pair", "value"),
        Input("compare-by", "value"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("compare-differences", "figure"),
        Input("compare-of", "value"),
        State("compare-what", "data"),
        prevent_initial_call=True,
    )
    def other_quantity(of: str, what: dict[str, str]) -> Any:
        _offered(of, comparison.QUANTITIES)
        made = _again(desk, what)
        return draw.differences(made.table, made.joints, of, comparison.QUANTITIES[of])

    @app.callback(
        Output("compare-pair", "max"),
        Output("compare-pair", "value"),
        Output("compare-joint-words", "children"),
        Input("compare-joint", "value"),
        State("compare-what", "data"),
        State("compare-pair", "value"),
    )
    def other_joint(joint: str, what: dict[str, str], pair: int | None) -> Any:
        made = _again(desk, what)
        _offered(joint, made.first.joints)
        count = made.pairs_of(joint).height
        return max(count, 1), min(max(pair or 1, 1), max(count, 1)), pairs_words(made, joint)

    @app.callback(
        Output("compare-stitches", "figure"),
        Output("compare-overlay", "figure"),
        Output("compare-overlay-words", "children"),
        Input("compare-pair", "value"),
        Input("compare-joint", "value"),
        Input("compare-by", "value"),
        State("compare-what", "data"),
    )
    def other_pair(pair: int | None, joint: str, by: str, what: dict[str, str]) -> Any:
        _offered(by, TRACES)
        made = _again(desk, what)
        _offered(joint, made.first.joints)
        pairs = made.pairs_of(joint)
        index = min(max((pair or 1) - 1, 0), max(pairs.height - 1, 0))
        names = (when(made.first), when(made.second))
        at = list(made.first.joints).index(joint)
        drawn = draw.stitches(
            comparison.motions(desk.archive, made.first.session, joint),
            comparison.motions(desk.archive, made.second.session, joint),
            pairs,
            (made.first.start, made.second.start),
            names,
            joint_index=at,
            chosen=index,
        )
        if not pairs.height:
            return drawn, draw.empty("No motion of this joint has a partner."), ""
        traces = comparison.pair_traces(desk.archive, made, joint, index)
        return (
            drawn,
            draw.pair_overlay(traces, names, by, joint_index=at),
            pair_words(pairs.row(index, named=True)),
        )

    @app.server.route("/data/compare/<what>.<form>")
    def save(what: str, form: str) -> Response | tuple[str, int]:
        view = links.read(request.query_string.decode("utf-8", "replace"))
        try:
            made = _made(desk, view, view.session or "", view.extra.get("with", ""))
        except JointbookError as error:
            return failure_text(error), 404
        frame = made.pairs if what == "pairs" else made.table
        return send_table(frame, f"compared-{what}", form)


def _made(desk: Desk, view: View, first: str, second: str) -> comparison.Comparison:
    def moment(ns: int | None) -> datetime | None:
        return None if ns is None else links.to_datetime(ns)

    return comparison.comparison(
        desk.archive,
        first,
        second,
        (moment(view.start_ns), moment(view.end_ns)),
        tuple(moment(links.parse_instant(view.extra.get(k))) for k in ("from2", "to2")),  # type: ignore[arg-type]
    )


def _offered(chosen: str, choices: Container[str]) -> None:
    if chosen not in choices:
        raise UsageError(f"{chosen[:60]!r} is not offered", todo="choose one of the list")


def _again(desk: Desk, what: dict[str, str]) -> comparison.Comparison:
    return _made(desk, links.read(what["search"]), what["first"], what["second"])


PAGE = Page(
    "compare",
    "Compare",
    "Two sessions or spans, aligned by motion, with the differences by joint.",
    layout,
    register,
    {
        "with": None,
        "from2": None,
        "to2": None,
        "of": tuple(comparison.QUANTITIES),
        "by": tuple(TRACES),
        "pair": None,
    },
)
