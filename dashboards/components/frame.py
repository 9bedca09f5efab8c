"""The frame around every page: spine, notice, job tray, help."""

from __future__ import annotations

from collections.abc import Sequence

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import ids
from dashboards.components.basics import ADVICE, attributes
from dashboards.components.keymap import help_overlay
from dashboards.jobs import JobState


def frame(
    pages: Sequence[tuple[str, str, str]], archive_name: str, signed_in: str = ""
) -> Component:
    """Return the whole layout; ``pages`` are (name, title, about), ``signed_in`` who looks."""
    signed = [
        html.Form(
            [html.Span(signed_in, className="signed-in"), html.Button("Sign out", type="submit")],
            method="post", action="/sign-out", className="sign-out",
        )
    ] if signed_in else []  # fmt: skip
    return html.Div(
        [
            dcc.Location(id=ids.URL, refresh="callback-nav"),
            dcc.Interval(id=ids.JOBS_BEAT, interval=700, disabled=True),
            dcc.Store(id=ids.JOBS_DONE, data=[]),
            html.A("Skip to the page", href="#page", className="skip"),
            html.Header(
                [
                    html.Div("jointbook", className="wordmark"),
                    html.Nav(
                        [
                            html.A(
                                title,
                                href=f"/{name}",
                                className="thumb",
                                title=about,
                                **attributes(data_page=name),
                            )
                            for name, title, about in pages
                        ],
                        className="thumbs",
                        **attributes(aria_label="Pages"),
                    ),
                    html.Div(
                        [
                            html.Button("Keys", id="frame-help", n_clicks=0, title="Keys (?)"),
                            html.Button("Light/dark", id="frame-theme", n_clicks=0),
                            *signed,
                        ],
                        className="spine-foot",
                    ),
                ],
                className="spine",
            ),
            html.Main(id=ids.PAGE, className="page", tabIndex=-1),
            html.Footer(
                [
                    html.Span(f"Archive: {archive_name}", className="archive-name"),
                    html.Span(id=ids.NEWS, className="news", **attributes(aria_live="polite")),
                    html.Span(ADVICE, className="advice"),
                ],
                className="foot",
            ),
            html.Div(id=ids.NOTICE, className="notice", **attributes(aria_live="assertive")),
            html.Div(id=ids.JOBS_TRAY, className="jobs", **attributes(aria_live="polite")),
            help_overlay(),
        ],
        className="frame",
    )


def jobs_tray(states: Sequence[JobState]) -> list[Component]:
    """Return the tray's rows: title, progress, cancel or the outcome."""
    rows: list[Component] = []
    for s in states:
        running = s.state == "running"
        parts: list[Component] = [html.Strong(s.title)]
        if running:
            bar = attributes(max="1", aria_label=f"progress of {s.title}")
            if s.share is not None:
                bar["value"] = str(s.share)
            parts.append(html.Progress(**bar))
        parts.append(html.Span(s.text, className="job-text"))
        if running:
            parts.append(
                html.Button(
                    "Stopping…" if s.cancelling else "Cancel",
                    id={"type": "job-cancel", "job": s.job},
                    disabled=s.cancelling,
                    n_clicks=0,
                )
            )
        rows.append(html.Div(parts, className=f"job {s.state}"))
    if states and all(s.state != "running" for s in states):
        rows.append(html.Button("Clear", id={"type": "job-clear", "job": "all"}, n_clicks=0))
    return rows
