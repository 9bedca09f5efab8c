"""What stands beside the replay's plots: values, flag, pin, measure, plane, posture."""

from __future__ import annotations

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components.basics import attributes
from dashboards.components.reviewer import reviewer_field
from dashboards.components.terms import term

_COLUMNS = (
    ("Joint", ""),
    ("angle", "deg"),
    ("rate", "deg/s"),
    ("current", "A"),
    ("expected", "A"),
    ("residual", "A"),
    ("temp.", "°C"),
    ("load", "N m"),
    ("brake", ""),
)


def side() -> Component:
    """Return what stands beside the plots: values, flag, measure, plane, posture."""
    heads = [
        html.Th([html.Span(term(name)), html.Small(f" {unit}") if unit else None], scope="col")
        for name, unit in _COLUMNS
    ]
    values = html.Table(
        [
            html.Caption(["At the cursor: ", html.Span(id="rp-exact")]),
            html.Thead(html.Tr(heads)),
            html.Tbody(id="rp-values"),
        ],
        className="rp-table",
    )
    measure = html.Div(
        [
            html.P(id="rp-measure-head"),
            html.Table(
                [
                    html.Thead(
                        html.Tr(
                            [
                                html.Th(w, scope="col")
                                for w in (
                                    "quantity",
                                    "difference",
                                    "slope /s",
                                    "mean",
                                    "integral s",
                                )
                            ]
                        )
                    ),
                    html.Tbody(id="rp-measure-rows"),
                ],
                className="rp-table",
            ),
            html.Div(
                [
                    html.Button(
                        "Measure all shown", id="rp-measure-all", title="One joint or all (K)"
                    ),
                    html.Button("Keep as CSV", id="rp-csv-measure"),
                    html.Button("Keep as Parquet", id="rp-parquet-measure"),
                ],
                className="tools",
            ),
        ],
        id="rp-measure",
        className="sheet rp-measure",
        hidden=True,
    )
    return html.Div(
        [
            html.Div(
                [values, html.P(id="rp-front", className="rp-front")], className="sheet rp-values"
            ),
            html.Div(id="rp-flag", className="sheet rp-flag", **attributes(aria_live="polite")),
            _pin_card(),
            measure,
            html.Div(
                [
                    _drawing("rp-plane", "Current against speed", "with the learned band"),
                    _posture(),
                ],
                className="rp-drawings",
            ),
        ],
        className="rp-side",
    )


def _pin_card() -> Component:
    """Return the form that pins a note at the cursor, hidden until its key is pressed."""
    text = dcc.Input(
        id="rp-pin-text", type="text", maxLength=2000, debounce=False, style={"width": "100%"}
    )
    return html.Div(
        [
            html.P(id="rp-pin-head"),
            html.Label(["What was seen", text], className="field wide"),
            reviewer_field(),
            html.Div(
                [
                    html.Button("Pin it", id="rp-pin-add", n_clicks=0, className="main"),
                    html.Span(id="rp-pin-said", role="status", className="refused-words"),
                ],
                className="tools",
            ),
        ],
        id="rp-pin",
        className="sheet rp-pin",
        hidden=True,
    )


def _drawing(name: str, title: str, words: str, extra: Component | None = None) -> Component:
    canvas = html.Canvas(
        id=name, tabIndex=0, role="img", **attributes(aria_label=f"{title}, {words}")
    )
    head = html.Div([html.H2(title), extra], className="rp-drawing-head")
    return html.Div([head, html.Div(canvas, className="rp-canvas")], className="sheet rp-drawing")


def _posture() -> Component:
    turn = html.Button("From end B", id="rp-base", title="Draw from the other end")
    box = _drawing("rp-posture", "Posture", "drag or use the arrow keys to turn it", turn)
    box.children.append(html.P(id="rp-tip", className="faint rp-tip"))
    return box
