"""What became of logs that were taken in, and the next step for their sessions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import links
from dashboards.components import basics
from dashboards.failure_words import without_folders
from dashboards.links import View
from replay.wording import counted

if TYPE_CHECKING:
    from dashboards.queries.intake import IngestResult

CHECK, TAKEN = "library-check-taken", "library-taken"
"""Types of the button that checks what was taken in, and of the store of its sessions.

Outcomes can stand beside each other: ``of`` in their ids is the name of theirs.
"""


def taken_in(
    result: IngestResult, outcome: str, not_judged: Mapping[str, str] | None = None
) -> Component:
    """Return what became of each file; the sessions among them can be checked from there.

    ``outcome`` is the name under which this is kept; ``not_judged`` says by session why a check
    would judge nothing of it: for those no check is offered.
    """
    unknown = not_judged or {}
    lines = [
        html.Li(
            [
                basics.go(s.session, links.href("replay", View(session=s.session))),
                f": {counted(s.rows, 'row')} from {s.source.rsplit('/', 1)[-1]}",
                f", {counted(len(s.quality), 'quality note')}" if s.quality else "",
                "" if s.arm_toml else f"; no arm file was chosen: its arm is called {s.arm!r}, "
                "and a baseline of other units does not judge it",
            ]
        )
        for s in result.sessions
    ]  # fmt: skip
    mended = "; its stored log was damaged and is whole again"
    lines += [
        html.Li(f"{name}: was there already{mended if name in result.mended else ''}")
        for name in result.unchanged
    ]
    lines += [
        html.Li(
            [
                html.Strong("Refused: "),
                f"{r.source.rsplit('/', 1)[-1]}: {without_folders(r.reason)}",
            ]
        )
        for r in result.refused
    ]
    names = [s.session for s in result.sessions if s.session not in unknown]
    why = list(dict.fromkeys(unknown.values()))
    return html.Div(
        [
            html.P("What became of the files", className="message-what"),
            html.Ul(lines),
            *(html.P(words, className="not-judged") for words in why),
            *(_check(names, outcome) if names else []),
        ],
        className="message" + (" trouble" if result.refused else ""),
    )


def check_stopped(names: Sequence[str], why: str, outcome: str) -> Component:
    """Return why sessions that were taken in are not checked, and the way to do so again."""
    return html.Div(
        [
            html.P("Taken in; the check stopped", className="message-what"),
            html.P(why),
            *_check(names, outcome),
        ],
        className="message trouble",
    )


def _check(names: Sequence[str], outcome: str) -> list[Component]:
    """Return the button that checks sessions, with which ones."""
    words = "this session" if len(names) == 1 else f"these {counted(len(names), 'session')}"
    return [
        html.Button(
            f"Check {words}",
            id={"type": CHECK, "of": outcome},
            className="main check-taken",
            n_clicks=0,
        ),
        dcc.Store(id={"type": TAKEN, "of": outcome}, data=list(names)),
    ]


def checked(waits: Mapping[str, int]) -> Component:
    """Return where checked sessions go on: to their findings, or to their sign-off."""
    return html.Div(
        [
            html.P("Checked", className="message-what"),
            html.Ul([html.Li(_next(name, count)) for name, count in waits.items()]),
        ],
        className="message taken-next",
    )


def _next(name: str, count: int) -> list[Component | str]:
    if not count:
        sign = links.href("sign-off", View(session=name))
        return [f"{name}: no finding waits; that is no clearance. ", basics.go("Sign it off", sign)]
    href = links.href("queue", View(session=name), whose="session")
    words = counted(count, "finding waits", "findings wait")
    return [f"{name}: {words}. ", basics.go("Go to the worst", href)]
