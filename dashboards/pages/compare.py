"""Compare: two sessions or spans, aligned by motion, differences by joint."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html
from dash.development.base_component import Component
from flask import Response, request

from dashboards import links
from dashboards.components import basics
from dashboards.components.event_parts import number, table
from dashboards.components.pickers import session_picker
from dashboards.components.plates import plate, save_links
from dashboards.components.saving import send_table
from dashboards.figures import compare as draw
from dashboards.figures.event import QUANTITIES as TRACES
from dashboards.links import View
from dashboards.pages.page import Desk, Page
from dashboards.queries import catalogue, comparison
from replay.errors import JointbookError

CAUTION = (
    "A difference is a question, not a finding: another payload, base end, temperature or unit "
    "explains many. jointbook advises; it never clears an arm to move."
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
        return html.Div([head, basics.message(error.sentence(), kind="trouble")])
    joint = view.joints[0] if view.joints and view.joints[0] in made.joints else None
    joint = joint or (made.joints[0] if made.joints else None)
    return html.Div(
        [
            head,
            _spans(view, made),
            _sides(made),
            *([_by_joint(made, view), *_one_joint(made, view, joint)] if joint else [_none(made)]),
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
        count = made.pairs_of(joint).height
        return max(count, 1), min(max(pair or 1, 1), max(count, 1)), _pairs_words(made, joint)

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
        made = _again(desk, what)
        pairs = made.pairs_of(joint)
        index = min(max((pair or 1) - 1, 0), max(pairs.height - 1, 0))
        names = (_name(made.first), _name(made.second))
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
            return drawn, draw.empty("No motion of this joint has a partner."), "Nothing is paired."
        traces = comparison.pair_traces(desk.archive, made, joint, index)
        return (
            drawn,
            draw.pair_overlay(traces, names, by, joint_index=at),
            _pair_words(pairs.row(index, named=True), made),
        )

    @app.server.route("/data/compare/<what>.<form>")
    def save(what: str, form: str) -> Response | tuple[str, int]:
        view = links.read(request.query_string.decode())
        try:
            made = _made(desk, view, view.session or "", view.extra.get("with", ""))
        except JointbookError as error:
            return error.sentence(), 404
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


def _again(desk: Desk, what: dict[str, str]) -> comparison.Comparison:
    return _made(desk, links.read(what["search"]), what["first"], what["second"])


def _name(record: Any) -> str:
    return f"{record.start:%Y-%m-%d %H:%M}"


def _spans(view: View, made: comparison.Comparison) -> Component:
    def seconds(name: str, label: str, ns: int | None, zero: datetime) -> Component:
        value = None if ns is None else round((ns - links.to_ns(zero)) / 1e9, 3)
        return html.Label(
            [
                label,
                dcc.Input(id=name, type="number", step="any", value=value, style={"width": "90px"}),
            ],
            className="field side-by-side",
        )

    second = [links.parse_instant(view.extra.get(k)) for k in ("from2", "to2")]
    return html.Details(
        [
            html.Summary("Spans (whole sessions unless said)"),
            html.Div(
                [
                    seconds("compare-span-1a", "First from s", view.start_ns, made.first.start),
                    seconds("compare-span-1b", "to s", view.end_ns, made.first.start),
                    seconds("compare-span-2a", "Second from s", second[0], made.second.start),
                    seconds("compare-span-2b", "to s", second[1], made.second.start),
                    html.Button("Compare these", id="compare-apply", n_clicks=0),
                    dcc.Store(
                        id="compare-starts",
                        data=[made.first.start.isoformat(), made.second.start.isoformat()],
                    ),
                ],
                className="row",
            ),
        ],
        id="compare-spans",
        open=any(ns is not None for ns in (view.start_ns, view.end_ns, *second)),
    )


def _sides(made: comparison.Comparison) -> Component:
    rows = [
        [a[0], a[1], html.Strong(b[1]) if a[1] != b[1] else b[1]]
        for a, b in zip(catalogue.facts(made.first), catalogue.facts(made.second), strict=True)
        if a[0] not in ("Rate", "Complete")
    ]
    other = made.other_units()
    words = (
        f"Another joint unit sits at {', '.join(other)}: what differs there is two units, not one "
        "that changed."
        if other
        else "The same joint units sit at every place."
    )
    return html.Details(
        [
            html.Summary(["What the two were. ", html.Span(words, className="faint")]),
            table(("", "First", "Second"), rows, caption="The two sessions"),
        ],
        className="sheet",
    )


def _by_joint(made: comparison.Comparison, view: View) -> Component:
    of = view.extra.get("of", "")
    of = of if of in comparison.QUANTITIES else next(iter(comparison.QUANTITIES))
    search = links.href(
        "", View(session=made.first.session, start_ns=view.start_ns, end_ns=view.end_ns,
                 extra={**{k: v for k, v in view.extra.items() if k in ("from2", "to2")},
                        "with": made.second.session})
    ).partition("?")[2]  # fmt: skip
    picker = html.Label(
        [
            "Quantity",
            dcc.Dropdown(
                [{"label": w, "value": w} for w in comparison.QUANTITIES],
                of,
                id="compare-of",
                clearable=False,
                searchable=False,
                style={"minWidth": "190px"},
            ),
        ],
        className="field side-by-side",
    )
    body = [
        [
            r["joint"],
            r["quantity"],
            r["pairs"],
            number(r["first"], 3),
            number(r["second"], 3),
            number(r["difference"], 3),
            "–" if r["low"] is None else f"{r['low']:.3f} to {r['high']:.3f} {r['unit']}",
            {True: "differs", False: "", None: "too few pairs"}[r["differs"]],
        ]
        for r in made.table.iter_rows(named=True)
    ]
    figure = draw.differences(made.table, made.joints, of, comparison.QUANTITIES[of])
    words = html.Div(
        [
            html.P(_headline(made)),
            html.Details(
                [
                    html.Summary("All differences as a table"),
                    table(
                        ("Joint", "Quantity", "Pairs", "First", "Second", "Difference",
                         "Interval, at least 90 %", ""),
                        body,
                        caption="Differences by joint",
                        numbers={2, 3, 4, 5, 6},
                    ),
                ]
            ),
        ]
    )  # fmt: skip
    return plate(
        "compare-differences",
        "Differences by joint",
        figure,
        words,
        height=90 + 34 * len(made.joints),
        tools=[
            picker,
            save_links(
                "the differences",
                {f: f"/data/compare/differences.{f.lower()}?{search}" for f in ("CSV", "Parquet")},
            ),
        ],
    )


def _headline(made: comparison.Comparison) -> str:
    differ = made.table.filter(made.table["differs"].fill_null(False))
    currents = differ.filter(differ["quantity"] == "motor current, size")
    said = ", ".join(
        f"{r['joint']} {r['difference']:+.2f} A" for r in currents.iter_rows(named=True)
    )
    paired = set(made.pairs["joint"]) if made.pairs.height else set()
    alone = [j for j in made.joints if j not in paired]
    pairs = f"{made.pairs.height} pairs of motions"
    pairs += f"; {', '.join(alone)} made no two alike. " if alone else ". "
    if said:
        return f"{pairs}Motor current differs beyond its interval at {said}. A filled mark says so."
    return f"{pairs}No joint's motor current differs beyond its interval."


def _one_joint(made: comparison.Comparison, view: View, joint: str) -> list[Component]:
    by = view.extra.get("by", "current_a")
    pair = view.extra.get("pair", "1")
    pairs = made.pairs_of(joint)
    controls: list[Component] = [
        html.Label(
            [
                "Joint",
                dcc.Dropdown(
                    made.joints,
                    joint,
                    id="compare-joint",
                    clearable=False,
                    searchable=False,
                    style={"minWidth": "90px"},
                ),
            ],
            className="field side-by-side",
        ),
        html.Label(
            [
                "Pair",
                dcc.Input(
                    id="compare-pair",
                    type="number",
                    min=1,
                    max=max(pairs.height, 1),
                    step=1,
                    value=int(pair) if pair.isdigit() else 1,
                    style={"width": "80px"},
                ),
            ],
            className="field side-by-side",
        ),
    ]
    quantity = html.Label(
        [
            "Quantity",
            dcc.Dropdown(
                [{"label": text, "value": value} for value, text in TRACES.items()],
                by if by in TRACES else "current_a",
                id="compare-by",
                clearable=False,
                searchable=False,
                style={"minWidth": "150px"},
            ),
        ],
        className="field side-by-side",
    )
    return [
        plate(
            "compare-stitches",
            "Motions stitched in pairs",
            draw.empty(""),
            html.P(id="compare-joint-words"),
            height=220,
            tools=controls,
        ),
        plate(
            "compare-overlay",
            "One pair, aligned on onset",
            draw.empty(""),
            "",
            height=270,
            tools=[quantity],
        ),
    ]


def _none(made: comparison.Comparison) -> Component:
    return basics.message(
        "The two sessions have no joint name in common.",
        f"First: {', '.join(made.first.joints)}. Second: {', '.join(made.second.joints)}.",
    )


def _pairs_words(made: comparison.Comparison, joint: str) -> str:
    count = made.pairs_of(joint).height
    have = "1 motion has" if count == 1 else f"{count} motions have"
    return (
        f"{joint}: {have} a partner in the other session (same direction, alike in "
        "travel, speed, posture, length and payload; current plays no part). Bars up and down are "
        "the two directions."
    )


def _pair_words(pair: dict[str, Any], made: comparison.Comparison) -> str:
    a, b = pair["current_abs_a_first"], pair["current_abs_a_second"]
    current = (
        ""
        if a is None or b is None
        else f" Median current {a:.2f} A and {b:.2f} A ({b - a:+.2f} A)."
    )
    return (
        f"First at {pair['first_start']:%H:%M:%S}, second at {pair['second_start']:%H:%M:%S}, "
        f"distance {pair['distance']:.2f}.{current}"
    )


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
