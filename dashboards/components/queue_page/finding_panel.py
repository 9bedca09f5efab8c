"""A finding beside its form: what was flagged, what was decided, what else is known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from dash import html
from dash.development.base_component import Component

from dashboards import links
from dashboards.components import basics
from dashboards.components.figure_card import aria
from dashboards.components.report_links import bundle_link
from dashboards.links import View
from replay.wording import clock, counted, day_and_clock, kind_words, score_figure

if TYPE_CHECKING:
    from dashboards.queries import record


def waiting_list(
    waiting: Sequence[record.Waiting], chosen: str, on_tip: Mapping[str, str]
) -> Component:
    """Return the queue as a list of links, the worst on top; ``on_tip`` by session."""
    return html.Ol(
        [
            html.Li(_waits(w, w.finding.finding == chosen, on_tip.get(w.finding.session)))
            for w in waiting
        ],
        className="queue-list",
        **aria(label="What waits, worst first"),
    )


def _waits(w: record.Waiting, here: bool, on_tip: str | None) -> Component:
    f = w.finding
    state = f"has “{w.verdict}”, its reasons are owed" if w.state == "judged" else ""
    return basics.go(
        [
            html.Span(
                [
                    basics.severity(f.severity),
                    html.Strong(f" {f.place} · {kind_words(f.kind)}"),
                    html.Span(_count(len(f.flags)), className="faint"),
                ]
            ),
            html.Span(f"{day_and_clock(f.start)} · {w.arm}", className="faint", title=f.session),
            *([html.Span(f"Caution: {on_tip}", className="queue-tip")] if on_tip else []),
            html.Span(
                "; ".join(p for p in (f"{w.holder} has it" if w.holder else "", state) if p),
                className="queue-holder",
            ),
        ],
        links.href("queue", View(session=f.session, flag=f.lead.flag)),
        className="queue-row here" if here else "queue-row",
        **({"title": "open on the right"} if here else {}),
    )


def evidence(one: record.Open, cautions: Sequence[str] = ()) -> Component:
    """Return what was found: the sentence, cautions, the flags under it, ways to look closer."""
    f = one.finding
    view = View(session=f.session, flag=f.lead.flag)
    seconds = (f.end - f.start).total_seconds()
    return html.Div(
        [
            html.Div(
                [
                    basics.severity(f.severity),
                    html.H2(f"{f.place} · {kind_words(f.kind)}", id="finding-title", tabIndex=-1),
                    html.Span(
                        f"{f.session} · {clock(f.start, 3)} UTC, "
                        f"{seconds:.2f} s · score {score_figure(f.score)}",
                        className="faint",
                    ),
                ],
                className="row",
            ),
            html.P(f.summary, className="flag-summary"),
            *[basics.caution(words) for words in cautions],
            html.Details(
                [
                    html.Summary(f"{counted(len(f.flags), 'flag')} of this cause"),
                    html.Ul(
                        [
                            html.Li(
                                [
                                    basics.go(
                                        x.flag,
                                        links.href("event", View(session=f.session, flag=x.flag)),
                                    ),
                                    f" {x.summary}",
                                ]
                            )
                            for x in f.flags
                        ]
                    ),
                ],
                open=len(f.flags) <= 4,
            )
            if len(f.flags) > 1
            else None,
            html.Div(
                [
                    basics.go("Open the event", links.href("event", view), className="button"),
                    basics.go(
                        "In the replay",
                        links.href("replay", view, front=_front(f)),
                        className="button quiet",
                    ),
                    basics.go(
                        "Sign-off of the session",
                        links.href("sign-off", View(session=f.session)),
                        className="button quiet",
                    ),
                    bundle_link(f.session, f.finding),
                    html.Button(
                        "Give it back" if one.holder else "Take it on",
                        id="finding-take",
                        n_clicks=0,
                    ),
                    html.Span(
                        f"{one.holder} has it" if one.holder else "nobody has it", className="faint"
                    ),
                ],
                className="tools",
            ),
        ]
    )


def history(one: record.Open) -> Component:
    """Return what was decided on a finding, the newest first; nothing is left out."""
    if not one.history:
        return html.P("Nobody has decided on it yet.", className="faint")
    return html.Details(
        [
            html.Summary(f"On record: {counted(len(one.history), 'decision')}, the newest by "
                         f"{one.history[-1].by}"),
            html.Ol([html.Li(in_words(d)) for d in reversed(one.history)]),
        ],
        open=one.held is not None,
    )  # fmt: skip


def in_words(d: record.Disposition) -> list[Component | str]:
    """Return one decision in words; texts of people stay text."""
    head = f"{d.by}, {d.at:%Y-%m-%d %H:%M:%S} UTC, entry {d.seq}: "
    said: list[Component | str] = [head, html.Strong(d.verdict)]
    if d.note:
        said.append(f" “{d.note}”")
    r = d.reasons
    if r is None:
        return said
    sort = (
        "no nonconformance" if r.nonconformance == "none" else f"{r.nonconformance} nonconformance"
    )
    parts = [
        f"observed: {r.observed}",
        f"cause: {r.cause or 'not known'}",
        sort,
        f"severity {r.severity}, likelihood {r.likelihood}: {r.risk} risk" if r.severity else "",
        f"{r.decision}, because {r.reason}" if r.decision else "",
        f"concession: {r.concession}" if r.concession else "",
        f"on condition: {r.conditions} (owner {r.owner}, verified by {r.verification})"
        if r.conditions
        else "",
        f"points to {', '.join(x.words or x.to for x in r.links)}" if r.links else "",
    ]
    return [*said, ". " + ". ".join(p for p in parts if p) + "."]


def conflict(theirs: Sequence[record.Disposition], mine: str) -> Component:
    """Return both decisions and the question which is to hold."""
    return html.Div(
        [
            html.P(
                f"{theirs[-1].by} decided on this finding after you opened it. Nothing of yours "
                "is kept yet, nothing of theirs is replaced.",
                className="message-what",
            ),
            html.Dl(
                [
                    html.Div([html.Dt("Theirs"), html.Dd(in_words(theirs[-1]))]),
                    html.Div([html.Dt("Yours"), html.Dd(mine)]),
                ],
                className="facts",
            ),
        ],
        className="message trouble",
        role="alert",
    )


def asking() -> Component:
    """Return the two answers to `conflict`; hidden until it is shown."""
    return html.Div(
        [
            html.Button("Leave theirs", id="finding-theirs", n_clicks=0),
            html.Button("Put mine after it", id="finding-mine", n_clicks=0),
        ],
        id="finding-ask",
        className="tools",
        hidden=True,
    )


def _count(flags: int) -> str:
    return f" {counted(flags, 'flag')}" if flags > 1 else ""


def _front(f: record.Finding) -> str:
    return f.joints[0] if f.joints else ""


def nothing_waits(any_session: bool, elsewhere: int = 0) -> Component:
    """Say why the queue is empty, and what to do; ``elsewhere`` findings wait in other views."""
    if not any_session:
        return basics.message(
            "There is no session in this archive yet.", "Take logs in on the library page."
        )
    if elsewhere:
        waiting = counted(elsewhere, "finding waits", "findings wait")
        return html.Div(
            [
                basics.message("Nothing waits here.", f"{waiting} elsewhere."),
                basics.go("Show everything that waits", links.href("queue", View())),
            ]
        )
    return basics.message(
        "Nothing waits: every finding of a checked session has a disposition.",
        "That is a state of the paperwork, not a clearance of any arm.",
    )


__all__: list[Any] = [
    "asking", "conflict", "evidence", "history", "in_words", "nothing_waits", "waiting_list",
]  # fmt: skip
