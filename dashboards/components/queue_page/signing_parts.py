"""Parts of the sign-off page: the form, the statement, findings, what was signed before."""

from __future__ import annotations

from collections.abc import Sequence

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import links
from dashboards.components import basics
from dashboards.components.queue_page.finding_panel import in_words
from dashboards.links import View
from dashboards.queries import record
from replay.wording import clock, counted, kind_words, lacking_words


def signing_form(here: record.Signing) -> Component:
    """Return what can be done now: sign, or reopen, or nothing yet."""
    hidden: list[Component] = []
    shown: list[Component] = []
    stated = here.statement
    signing = here.state == "half-signed" or (here.state == "open" and not here.lacking)
    read = dcc.Checklist(
        [{"label": "I have read this statement", "value": "read"}], [], id="signoff-read"
    )
    sign = html.Button(
        "Sign as second reviewer" if here.state == "half-signed" else "Sign",
        id="signoff-sign", n_clicks=0, className="main", title="Ctrl+Enter",
    )  # fmt: skip
    again = html.Button("Reopen", id="signoff-reopen", n_clicks=0)
    reopening = here.state in ("signed", "half-signed")
    remark = html.Label(
        [
            "Remark" + ("; to reopen, the reason" if reopening else ""),
            dcc.Textarea(id="signoff-remark", value="", rows=2, maxLength=4000),
        ],
        className="field",
    )
    if stated is not None:
        shown.append(statement_list(stated))
    if here.lacking:
        shown.append(
            basics.message(
                f"{lacking_words(len(here.lacking), len(here.held))} yet.",
                "It is marked below; the queue opens at it."
                if len(here.lacking) == 1
                else "They are marked below; the queue opens at the worst of them.",
            )
        )
        first = here.lacking[0]
        shown.append(
            basics.go(
                "Go on in the queue",
                links.href(
                    "queue", View(session=first.session, flag=first.lead.flag), whose="session"
                ),
                className="button",
            )
        )
    (shown if signing else hidden).append(read)
    (shown if signing or reopening else hidden).append(remark)
    buttons = [sign] if signing else []
    buttons += [again] if reopening else []
    hidden += [b for b in (sign, again) if b not in buttons]
    shown.append(html.Div(buttons, className="tools"))
    return html.Div(
        [
            *shown,
            html.Div(hidden, hidden=True),
            dcc.Store(id="signoff-mark", data=stated.mark if stated else ""),
        ],
        className="signoff-form",
    )


def statement_list(stated: record.Statement) -> Component:
    """Return what a signature states, as pairs of words."""
    share = stated.unjudged_joint_h / stated.logged_joint_h if stated.logged_joint_h else 0.0
    pairs = [
        ("Baseline", f"{stated.baseline}, checked {stated.checked_at:%Y-%m-%d %H:%M} UTC"),
        ("Completeness of the log", record.completeness_words(stated)),
        (
            "Not judged",
            f"{stated.unjudged_joint_h:.3f} of {stated.logged_joint_h:.3f} joint-hours "
            f"({100 * share:.1f} %)",
        ),
        (
            "False flags",
            f"{stated.asked_rate:g} asked per 100 joint-hours, {stated.expected_words}",
        ),
        ("Findings", str(stated.findings)),
        ("Notes of the check", "; ".join(stated.notes) or "none"),
    ]
    return html.Dl([html.Div([html.Dt(k), html.Dd(v)]) for k, v in pairs], className="facts")


def findings_table(
    session: str, held: Sequence[tuple[record.Finding, record.Disposition | None]]
) -> Component:
    """Return the findings of a session, each with its disposition or what is missing."""
    head = ("Severity", "Finding", "Disposition")
    rows = []
    for f, d in held:
        if d is None or not d.complete:
            said: list[Component | str] = [
                html.Strong("none yet" if d is None else f"only a verdict, “{d.verdict}”"),
            ]
        else:
            said = in_words(d)
        rows.append(
            html.Tr(
                [
                    html.Td(basics.severity(f.severity)),
                    html.Td(
                        [
                            basics.go(
                                f"{f.place} · {kind_words(f.kind)}",
                                links.href("queue", View(session=session, flag=f.lead.flag)),
                            ),
                            f" at {clock(f.start)}",
                        ]
                    ),
                    html.Td(said),
                ]
            )
        )
    return html.Table(
        [html.Thead(html.Tr([html.Th(w, scope="col") for w in head])), html.Tbody(rows)],
        className="plain-table signoff-table",
    )


def past_list(past: Sequence[record.SignOff]) -> Component:
    """Return every sign-off a session had, the newest first."""
    return html.Ol([html.Li(_past(one)) for one in reversed(past)])


def _past(one: record.SignOff) -> str:
    names = [
        f"{s.by}, {s.at:%Y-%m-%d %H:%M:%S} UTC, entry {s.seq}"
        + (f": “{s.remark}”" if s.remark else "")
        for s in one.signatures
    ]
    about = (
        f" on baseline {one.statement.baseline}, {counted(len(one.findings), 'finding')}, "
        f"{one.statement.unjudged_joint_h:.3f} joint-hours not judged."
    )
    said = "Signed by " + "; ".join(names) + about
    if one.reopened is not None:
        r = one.reopened
        said += f" Reopened by {r.by}, {r.at:%Y-%m-%d %H:%M:%S} UTC: “{r.remark}”."
    return said
