"""The verdict on a flag: a form, and the line that says what holds."""

from __future__ import annotations

import polars as pl
from dash import dcc, html
from dash.development.base_component import Component

from dashboards import links
from dashboards.components import basics
from dashboards.components.figure_card import aria
from dashboards.links import View


def verdict_form(
    session: str, flag: str, verdict: str, note: str, words: dict[str, str], seen: int = 0
) -> Component:
    """Return the form of one flag's finding; what is in force is filled in.

    ``words`` are the verdicts there are, each with what it commits to; ``seen``
    is the number of the last entry that the form shows.
    """

    def part(kind: str) -> dict[str, str]:
        return {"type": kind, "flag": flag, "session": session}

    return html.Div(
        [
            dcc.RadioItems(
                [
                    {"label": html.Span(word, title=meaning), "value": word}
                    for word, meaning in words.items()
                ],
                verdict,
                id=part("verdict-word"),
                inline=True,
                className="verdict-words",
            ),
            html.Div(
                [
                    dcc.Textarea(
                        id=part("verdict-note"),
                        value=note or "",
                        placeholder="Note: what was seen, why this verdict",
                        maxLength=4000,
                        rows=2,
                        className="verdict-note",
                        title="Note on this flag",
                    ),
                    html.Button("Keep verdict", id=part("verdict-save"), n_clicks=0),
                    html.Span(id=part("verdict-said"), role="status", className="verdict-said"),
                    dcc.Store(id=part("verdict-seen"), data=seen),
                    dcc.Store(id=part("verdict-news"), data=seen),
                ],
                className="verdict-row",
            ),
            html.P(
                [
                    "A session is signed on dispositions, which a verdict is not: ",
                    basics.go(
                        "decide on this finding in the queue",
                        links.href("queue", View(session=session, flag=flag)),
                    ),
                ],
                className="faint no-print verdict-signing",
            ),
        ],
        className="verdict-form",
        role="group",
        **aria(label="Verdict on this flag"),
    )


def verdict_line(history: pl.DataFrame) -> list[Component]:
    """Return what holds, and what was decided before it."""
    if not history.height:
        return [html.Span("Open: nobody has decided on it yet.", className="faint")]
    rows = [
        f"{r['verdict']} · {r['reviewer']} · {r['at']:%Y-%m-%d %H:%M} UTC"
        + (f" · {r['note']}" if r["note"] else "")
        for r in history.iter_rows(named=True)
    ]
    said: list[Component] = [
        html.Span([html.Strong("Holds: "), rows[-1]], className="verdict-holds")
    ]
    if len(rows) > 1:
        said.append(
            html.Details(
                [
                    html.Summary(f"{len(rows) - 1} earlier"),
                    html.Ol([html.Li(text) for text in rows[:-1]]),
                ],
                className="faint",
            )
        )
    return said


def last_seen(history: pl.DataFrame) -> int:
    """Return the number of the last entry of a flag's history; 0 where there is none."""
    return int(history["seq"][-1]) if history.height else 0


def told_of(who: str, words: str) -> Component:
    """Say what somebody else decided meanwhile, and ask which is to hold."""
    return html.Span(
        f"{who} decided meanwhile: {words}. Yours is not kept, theirs is not replaced. "
        "To put yours after it, keep it once more.",
        className="refused-words",
        role="alert",
    )
