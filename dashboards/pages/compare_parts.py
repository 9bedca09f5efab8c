"""The parts of the comparison: spans, sides, differences by joint, pairs of motions."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import links
from dashboards.components import basics
from dashboards.components.figure_card import figure_card, save_links
from dashboards.components.pickers import choice, labelled
from dashboards.components.plain_tables import number, table
from dashboards.figures import compare as draw
from dashboards.figures.event import QUANTITIES as TRACES
from dashboards.links import View
from dashboards.queries import catalogue, comparison
from replay.wording import counted


def when(record: Any) -> str:
    """Return a session's start as its short name in a comparison."""
    return f"{record.start:%Y-%m-%d %H:%M}"


def spans(view: View, made: comparison.Comparison) -> Component:
    """Return the form that narrows each session to a span of its own."""

    def seconds(name: str, label: str, ns: int | None, zero: datetime) -> Component:
        value = None if ns is None else round((ns - links.to_ns(zero)) / 1e9, 3)
        return labelled(
            label,
            dcc.Input(id=name, type="number", step="any", value=value, style={"width": "90px"}),
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


def sides(made: comparison.Comparison) -> Component:
    """Return what the two sessions were, side by side, differences in bold."""
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


def by_joint(made: comparison.Comparison, view: View) -> Component:
    """Return the differences by joint, drawn and as a table."""
    of = view.extra.get("of", "")
    of = of if of in comparison.QUANTITIES else next(iter(comparison.QUANTITIES))
    search = links.href(
        "", View(session=made.first.session, start_ns=view.start_ns, end_ns=view.end_ns,
                 extra={**{k: v for k, v in view.extra.items() if k in ("from2", "to2")},
                        "with": made.second.session})
    ).partition("?")[2]  # fmt: skip
    picker = choice("Quantity", "compare-of", {w: w for w in comparison.QUANTITIES}, of, width=190)
    body = [
        [
            r["joint"],
            r["quantity"],
            r["pairs"],
            number(r["first"], 3),
            number(r["second"], 3),
            number(round(r["second"], 3) - round(r["first"], 3), 3),
            "–" if r["low"] is None else f"{r['low']:.3f} to {r['high']:.3f} {r['unit']}",
            {True: "differs", False: "", None: "too few pairs"}[r["differs"]],
        ]
        for r in made.table.iter_rows(named=True)
    ]
    figure = (
        draw.differences(made.table, made.joints, of, comparison.QUANTITIES[of])
        if made.pairs.height
        else draw.empty("No two motions are alike.")
    )
    words = html.Div(
        [
            html.P(_headline(made)),
            html.Details(
                [
                    html.Summary("All differences as a table"),
                    table(
                        ("Joint", "Quantity", "Pairs", "First", "Second", "Second less first",
                         "Interval, at least 90 %", ""),
                        body,
                        caption="Differences by joint",
                        numbers={2, 3, 4, 5, 6},
                    ),
                ]
            ),
        ]
    )  # fmt: skip
    return figure_card(
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
    pairs = counted(made.pairs.height, "pair of motions", "pairs of motions")
    if not paired:
        return (
            f"{pairs}: no joint made two motions alike, so nothing can be compared. Choose two "
            "sessions of one kind, or spans of them."
        )
    pairs += f"; {', '.join(alone)} made no two alike. " if alone else ". "
    currents = made.table.filter(made.table["quantity"] == "motor current, size")
    known = currents.filter(currents["differs"].is_not_null())["joint"].to_list()
    unknown = [j for j in made.joints if j in paired and j not in known]
    few = (
        f" Too few pairs for an interval at {', '.join(unknown)}: nothing is said of them."
        if (unknown)
        else ""
    )
    if said:
        return (
            f"{pairs}Motor current differs beyond its interval at {said}, second less first. A "
            f"large mark says so.{few}"
        )
    if not known:
        return (
            f"{pairs}No joint has pairs enough to say whether its motor current differs: a mark is "
            "the difference of the few that there are."
        )
    return (
        f"{pairs}No joint's motor current differs beyond its interval, of those that have one: "
        f"{', '.join(known)}.{few}"
    )


def one_joint(made: comparison.Comparison, view: View, joint: str) -> list[Component]:
    """Return one joint's motions in pairs, and one pair on its onset."""
    by = view.extra.get("by", "current_a")
    pair = view.extra.get("pair", "1")
    pairs = made.pairs_of(joint)
    controls: list[Component] = [
        choice("Joint", "compare-joint", {j: j for j in made.joints}, joint, width=90),
        labelled(
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
        ),
    ]
    shown = by if by in TRACES else "current_a"
    quantity = choice("Quantity", "compare-by", TRACES, shown, width=150)
    return [
        figure_card(
            "compare-stitches",
            "Motions stitched in pairs",
            draw.empty(""),
            html.P(id="compare-joint-words"),
            height=220,
            tools=controls,
        ),
        figure_card(
            "compare-overlay",
            "One pair, aligned on onset",
            draw.empty(""),
            "",
            height=270,
            tools=[quantity],
        ),
    ]


def nothing(made: comparison.Comparison) -> Component:
    """Say that there is no joint to compare."""
    return basics.message(
        "The two sessions have no joint name in common.",
        f"First: {', '.join(made.first.joints)}. Second: {', '.join(made.second.joints)}.",
    )
