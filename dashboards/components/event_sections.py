"""Empty places of the event page that its callbacks fill, and their controls."""

from __future__ import annotations

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components.plates import aria
from dashboards.figures.event import QUANTITIES
from dashboards.links import View

COUNTS = (3, 5, 10)
RATES = (0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0)


def placeholders(view: View) -> list[Component]:
    """Return the sections in order, with the choices that the address keeps."""
    by = view.extra.get("by", "current_a")
    count = view.extra.get("k", "5")
    rate = view.extra.get("rate", "")
    return [
        _section(
            "likes",
            "Similar motions, aligned on onset",
            [
                _choice(
                    "Quantity", "event-by", QUANTITIES, by if by in QUANTITIES else "current_a"
                ),
                _choice(
                    "Motions",
                    "event-k",
                    {str(n): str(n) for n in COUNTS},
                    count if count in {str(n) for n in COUNTS} else "5",
                ),
                html.Button("Look through all sessions", id="event-index", n_clicks=0),
            ],
        ),
        _section(
            "scores",
            "Score through time, and what another limit would do",
            [
                _choice(
                    "False flags per 100 joint-hours",
                    "event-rate",
                    {"": "as learned", **{f"{r:g}": f"{r:g}" for r in RATES}},
                    rate if rate in {f"{r:g}" for r in RATES} else "",
                )
            ],
        ),
        _section("others", "Other joints at the same instants", []),
        _section("brakes", "Brake sequence", []),
        _section("sensors", "Sensor health", []),
    ]


def _section(name: str, title: str, controls: list[Component]) -> Component:
    return html.Section(
        [
            html.Div(
                [html.H2(title, id=name), html.Div(controls, className="tools")],
                className="plate-head",
            ),
            dcc.Loading(
                html.Div(id=f"event-{name}", className="event-part", **aria(live="polite")),
                type="dot",
                delay_show=300,
            ),
        ],
        className="sheet",
        **aria(labelledby=name),
    )


def _choice(label: str, name: str, options: dict[str, str], chosen: str) -> Component:
    return html.Label(
        [
            label,
            dcc.Dropdown(
                [{"label": text, "value": value} for value, text in options.items()],
                chosen,
                id=name,
                clearable=False,
                searchable=False,
                style={"minWidth": "130px"},
            ),
        ],
        className="field side-by-side",
    )
