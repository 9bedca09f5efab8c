"""The replay's parts: its line of buttons, strip, plots and what stands beside."""

from __future__ import annotations

from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import ids
from dashboards.components.basics import attributes

RATES = ("0.1", "0.2", "0.5", "1", "2", "5", "10", "20", "50", "100")


def picker(session: str | None, groups: dict[str, list[dict[str, str]]]) -> Component:
    """Return the session picker: a plain list, which every screen reader knows."""
    options = {
        name: [
            html.Option(o["label"], value=o["value"], selected=o["value"] == session) for o in held
        ]
        for name, held in groups.items()
    }
    alone = next(iter(options.values())) if len(options) == 1 else None
    return html.Select(
        alone or [html.Optgroup(held, label=name) for name, held in options.items()],
        id="rp-picker",
        className="rp-picker",
        title=f"Session {session or ''}".strip(),
        **attributes(aria_label="Session"),
    )


def controls() -> Component:
    """Return the buttons above the plots."""
    return html.Div(
        [
            _group(
                "Steps",
                _button("rp-flag-back", "◂ flag", "Previous flag (P)"),
                _button("rp-back-s", "−1 s", "One second back (Shift ←)"),
                _button("rp-back", "−1", "One sample back (←)"),
                _button("rp-play", "Play", "Play or pause (Space)", main=True),
                _button("rp-forth", "+1", "One sample forth (→)"),
                _button("rp-forth-s", "+1 s", "One second forth (Shift →)"),
                _button("rp-flag-forth", "flag ▸", "Next flag (N)"),
            ),
            _group(
                "Playing",
                html.Label("Rate", htmlFor="rp-rate"),
                html.Select([html.Option(f"{r}×", value=r) for r in RATES], id="rp-rate"),
                _button("rp-way", "Forwards", "Direction of play (B)"),
                _button("rp-loop", "Loop", "Go round between the cursors, else the window (O)"),
                _button(
                    "rp-mark", "2nd cursor", "Set or clear the second cursor, to measure from (M)"
                ),
                _button("rp-pin-open", "Pin", "Pin a note at the cursor (I)"),
            ),
            _group(
                "Window",
                _button("rp-in", "Nearer", "Zoom in (+)"),
                _button("rp-out", "Farther", "Zoom out (−)"),
                _button("rp-to-flag", "To flag", "Zoom to the flag (Z)"),
                _button("rp-all", "Whole", "Whole session (0)"),
                _button("rp-solo", "One joint", "Show the front joint alone, or all again (S)"),
                _button(
                    "rp-zero", "From here", "Count angles from where they are at the cursor (A)"
                ),
            ),
            _keep(),
        ],
        className="rp-controls",
        role="toolbar",
        **attributes(aria_label="Replay"),
    )


def _group(label: str, *parts: Component) -> Component:
    return html.Div(list(parts), className="rp-group", role="group", **attributes(aria_label=label))


def _button(name: str, text: str, title: str, *, main: bool = False) -> Component:
    return html.Button(text, id=name, title=title, className="main" if main else "")


def _keep() -> Component:
    pictures = [
        html.Div(
            [
                html.Span(f"{label}: "),
                html.Button("PNG", id=f"rp-png-{what}", title=f"{label} as PNG"),
                html.Button("SVG", id=f"rp-svg-{what}", title=f"{label} as SVG"),
            ],
            className="tools",
        )
        for what, label in (("plots", "Plots"), ("plane", "Current–speed"), ("posture", "Posture"))
    ]
    samples = html.Div(
        [
            html.Span("Samples of the span: "),
            html.Button("CSV", id="rp-csv", title="Logged samples as CSV"),
            html.Button("Parquet", id="rp-parquet", title="Logged samples as Parquet"),
        ],
        className="tools",
    )
    hint = "The span between the cursors, else the window; the joints shown."
    return html.Details(
        [
            html.Summary("Keep"),
            html.Div([*pictures, samples, html.P(hint, className="faint")], className="rp-keep"),
        ],
        className="rp-details",
    )


def strip() -> Component:
    """Return the whole session in one line; also the cursor's slider."""
    return html.Div(
        [
            html.Canvas(id="rp-strip-canvas", **attributes(aria_hidden="true")),
            html.Div(id="rp-strip-cursor", className="rp-strip-cursor"),
        ],
        id="rp-strip",
        className="rp-strip",
        tabIndex=0,
        role="slider",
        **attributes(aria_label="Cursor in the session", aria_valuemin="0", aria_valuenow="0"),
    )


def clock_line() -> Component:
    """Return where the cursor is, in words."""
    return html.Div(
        [
            html.Span(id="rp-time", className="rp-clock"),
            html.Span(id="rp-since", className="faint"),
            html.Span(id="rp-words"),
            html.Span(id="rp-window", className="faint"),
            html.Span(id="rp-said", className="rp-said", role="status"),
        ],
        className="rp-clockline",
    )


def stores(config: dict[str, Any]) -> list[Component]:
    """Return the stores that the browser's side reads and writes."""
    return [
        dcc.Store(id=ids.REPLAY_CONFIG, data=config),
        dcc.Store(id=ids.REPLAY_VIEW),
        dcc.Store(id="replay-mounted"),
        dcc.Store(id=ids.REPLAY_PINS),
    ]
