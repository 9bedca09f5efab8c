"""Baseline: what it rests on, and how it keeps its word on sessions it left out."""

from __future__ import annotations

import polars as pl
from dash import Dash, html
from dash.development.base_component import Component
from flask import Response

from dashboards import links
from dashboards.components import basics
from dashboards.components.figure_card import figure_card, save_links
from dashboards.components.plain_tables import table
from dashboards.components.saving import send_table
from dashboards.figures.baseline import kept_word_figure
from dashboards.links import View
from dashboards.pages.page import Desk, Page
from dashboards.queries import baselines
from replay.wording import counted

WORDS = (
    "Each training session was judged by fits that left it out. A diamond is what they showed, a "
    "bar its 90 % interval; without a diamond nothing was seen and only the bar's upper end says "
    "something. A session counts as one, whatever it shows: bars are wide where few sessions show "
    "much. The bound in the sentence above is one-sided, so it lies a little below the bar's upper "
    "end. Findings beyond physical limits are not counted."
)

FACTS = (
    "Friction is the current of steady motion without load, at the temperature that was usual in "
    "training. Standard errors count sessions, not samples. Masses and lengths that were found "
    "without an arm file are not shown: the logs do not tell their scale."
)


def layout(desk: Desk, view: View) -> Component:
    """Return the page for the newest baseline."""
    base, trouble = baselines.newest(desk.archive)
    head = html.Div([html.H1("Baseline")], className="row")
    if base is None:
        return html.Div(
            [
                head,
                basics.message(trouble),
                basics.go("Learn one on the library page", links.href("library", View())),
            ]
        )
    rates = baselines.kept_word(desk.archive, base)
    return html.Div(
        [
            head,
            html.Section(
                [
                    html.H2(f"{base.version}, from {counted(len(base.sessions), 'session')}"),
                    html.P(_sentence(baselines.promise_of(base))),
                    html.Ul(
                        [
                            html.Li(line)
                            for line in (*baselines.doubts(desk.archive, base), *base.concerns())
                        ]
                    ),
                ],
                className="sheet",
            ),
            figure_card(
                "baseline-rates",
                "Asked and observed flags",
                kept_word_figure(rates),
                WORDS,
                height=300,
            ),
            html.Section(
                [
                    _table_head("Asked and observed, in figures", "rates"),
                    table(
                        ("Asked", "Observed", "Low", "High", "Events", "Joint-hours"),
                        [tuple(_figure(v) for v in row) for row in rates.iter_rows()],
                        caption="Flags per 100 joint-hours on sessions left out, 90 % interval",
                        numbers={0, 1, 2, 3, 4, 5},
                    ),
                ],
                className="sheet",
                id="baseline-table",
            ),
            _by_verdict(desk),
            html.Section(
                [
                    _table_head("Joint units it knows", "units"),
                    table(
                        ("Unit", "Hours", "Sessions", "Set aside while learning"),
                        [
                            (unit, f"{hours:.2f}", sessions, aside)
                            for unit, hours, sessions, aside in baselines.units_of(base).iter_rows()
                        ],
                        caption="Joint units that this baseline knows",
                        numbers={1, 2},
                    ),
                ],
                className="sheet",
            ),
            html.Section(
                [
                    _table_head("What it knows of them", "facts"),
                    html.P(FACTS),
                    *_facts(baselines.facts_of(base)),
                ],
                className="sheet",
                id="baseline-facts",
            ),
        ]
    )


def _facts(rows: pl.DataFrame) -> list[Component]:
    """Return a folded table a unit: all of them at once are a list that nobody reads."""
    return [
        html.Details(
            [
                html.Summary(unit),
                table(
                    ("Figure", "Value", "Standard error", "In"),
                    [
                        (what, _figure(value), _figure(error), of)
                        for _, what, value, error, of in mine.iter_rows()
                    ],
                    caption=f"Friction, load, drive and noise of {unit}",
                    numbers={1, 2},
                ),
            ],
            open=place == 0,
        )
        for place, ((unit,), mine) in enumerate(
            rows.partition_by("unit", as_dict=True, maintain_order=True).items()
        )
    ]


def register(app: Dash, desk: Desk) -> None:
    """Add the routes that keep the page's tables."""

    @app.server.route("/data/baseline/<what>.<form>")
    def save_baseline(what: str, form: str) -> Response | tuple[str, int]:
        base, trouble = baselines.newest(desk.archive)
        if base is None:
            return trouble, 404
        tables = {"rates": lambda: baselines.kept_word(desk.archive, base)}
        tables["units"] = lambda: baselines.units_of(base)
        tables["facts"] = lambda: baselines.facts_of(base)
        tables["verdicts"] = lambda: baselines.by_verdict(desk.archive)
        if what not in tables:
            return "rates, units, facts and verdicts are offered", 404
        return send_table(tables[what](), f"baseline-{base.version}-{what}", form)


def _by_verdict(desk: Desk) -> Component | None:
    """Return what people found false, where they have judged anything that was flagged."""
    rows = baselines.by_verdict(desk.archive)
    if not rows.height or not rows["decided_findings"].sum():
        return None
    words = ("Baseline", "Asked", "Observed", "Low", "High", "False findings", "Joint-hours",
             "Sessions judged", "Sessions still open", "Findings decided")  # fmt: skip
    return html.Section(
        [
            _table_head("False flags by verdict", "verdicts"),
            table(
                words,
                [(row[0], *(_figure(v) for v in row[1:])) for row in rows.iter_rows()],
                caption="False flags that people found, per 100 joint-hours, 90 % interval, in "
                "sessions where nothing is open; nothing is learned from it by itself",
                numbers=set(range(1, len(words))),
            ),
        ],
        className="sheet",
        id="baseline-verdicts",
    )


def _table_head(title: str, name: str) -> Component:
    save = {form: f"/data/baseline/{name}.{form.lower()}" for form in ("CSV", "Parquet")}
    return html.Div([html.H2(title), save_links(title.lower(), save)], className="figure-card-head")


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def _figure(value: float | int | None) -> str:
    return "" if value is None else f"{value:.3g}"


PAGE = Page(
    "baseline",
    "Baseline",
    "What normal was learned from, and how well its flags keep to the rate asked for.",
    layout,
    register,
)
