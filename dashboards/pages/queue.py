"""Queue: what waits, worst first; the finding on the right is judged there and then.

Longer than 245 lines because the list, the finding and the way between them answer one another.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from dashboards import failure_words, links
from dashboards.components import basics
from dashboards.components.news import news_mark
from dashboards.components.queue_page.finding_form import FIELDS, field_id
from dashboards.components.queue_page.finding_panel import conflict, nothing_waits
from dashboards.components.reviewer import REVIEWER, reviewer_field
from dashboards.components.typeset import set_in_type
from dashboards.links import View
from dashboards.pages import queue_bundle, queue_news
from dashboards.pages.page import Desk, Page
from dashboards.pages.queue_parts import (
    WHOSE,
    filters,
    first_of,
    known_arm,
    list_of,
    mine_of,
    panel,
    take_or_give_back,
    waiting_of,
)
from dashboards.queries import catalogue, news, record
from replay.errors import StaleError, UsageError
from replay.wording import counted


def layout(desk: Desk, view: View) -> Component:
    """Return the queue, opened at the finding asked for, else at the worst."""
    mark = news_mark(news.last_entry(desk.archive))
    known = catalogue.sessions_of(desk.archive)
    arm, whose = view.extra.get("arm", ""), view.extra.get("whose", "all")
    arm, no_arm = known_arm(desk, arm)
    named = record.chosen(desk.archive, view.session, view.flag)
    waiting = waiting_of(desk, arm, whose, view.session or "")
    opened = named or first_of(desk, waiting, view.session)
    lost = view.flag is not None and named is None
    return html.Div(
        [
            mark,
            dcc.Store(id="queue-news", data=0),
            html.Div(
                [html.H1("Queue"), filters(desk, arm, whose), reviewer_field()],
                className="row queue-head",
            ),
            no_arm,
            basics.message(f"There is no finding {view.flag!r} any more.", "A new check may have "
                           "replaced it; its verdicts stay on record.") if lost else None,
            html.Div(
                [
                    html.Div(
                        list_of(desk, waiting, opened.finding if opened else ""),
                        id="queue-list",
                        className="queue-side",
                    ),
                    html.Div(
                        panel(desk, opened)
                        if opened
                        else nothing_waits(bool(known), record.waits(desk.archive)),
                        id="queue-finding",
                        className="queue-main",
                    ),
                ],
                className="queue-body",
            ),
            dcc.Store(id="queue-what", data=_what(opened, arm, whose)),
            dcc.Store(id="queue-moved", data=None),
            html.Span(id="queue-focus", hidden=True),
            basics.caution(
                "A disposition here is part of your own process. With a person on the tip or a "
                "brake in doubt, stop and follow the operator's own rules first."
            ),
        ],
        className="queue",
    )  # fmt: skip


def register(app: Dash, desk: Desk) -> None:
    """Add the queue's callbacks and its route."""
    queue_bundle.add_route(app, desk)
    queue_news.register_news(app, desk)
    in_browser = app.clientside_callback
    in_browser(
        ClientsideFunction("jointbook_queue", "filter"),
        Output("queue-focus", "title"),
        Input("queue-arm", "value"),
        Input("queue-whose", "value"),
        prevent_initial_call=True,
    )
    in_browser(
        ClientsideFunction("jointbook_queue", "moved"),
        Output("queue-focus", "children"),
        Input("queue-moved", "data"),
    )

    @app.callback(
        Output("finding-risk", "children"),
        Input(field_id("severity"), "value"),
        Input(field_id("likelihood"), "value"),
    )
    def risk(severity: str | None, likelihood: str | None) -> str:
        if severity not in record.scales.SEVERITIES or likelihood not in record.scales.LIKELIHOODS:
            return ""  # not chosen yet, or no page's choice
        return f"{record.scales.risk(severity, likelihood)} risk ({record.scales.RISK_SCALE})"

    @app.callback(
        Output("queue-list", "children"),
        Output("queue-finding", "children"),
        Output("queue-what", "data"),
        Output("queue-moved", "data"),
        Output("finding-said", "children"),
        Output("finding-ask", "hidden"),
        Output("finding-shown", "data"),
        Input("finding-keep", "n_clicks"),
        Input("finding-take", "n_clicks"),
        Input("finding-theirs", "n_clicks"),
        Input("finding-mine", "n_clicks"),
        State("queue-what", "data"),
        State("finding-seen", "data"),
        State("finding-shown", "data"),
        State(REVIEWER, "value"),
        {name: State(field_id(name), "value") for name in FIELDS},
        prevent_initial_call=True,
    )
    def act(
        keep: int, hold: int, theirs: int, mine: int, what: dict[str, str],
        seen: dict[str, int], shown: int, who: str | None, form: dict[str, Any],
    ) -> Any:  # fmt: skip
        if not any(t["value"] for t in ctx.triggered):
            return (no_update,) * 7
        hit = ctx.triggered_id
        try:
            if hit == "finding-take":
                take_or_give_back(desk, what, who or "")
                return _shown(desk, what, what["finding"], None)
            if hit == "finding-theirs":
                return _shown(desk, what, what["finding"], "Theirs holds.")
            if hit == "finding-mine":
                seen = {name: max(entry, shown) for name, entry in seen.items()}
            return _keep(desk, what, seen, who or "", form)
        except StaleError as error:
            others = record.told(error.theirs, what["finding"])
            # what is put after theirs is after what was shown, not after what came since
            return (*(no_update,) * 4, conflict(others, mine_of(form)), False, others[-1].seq)
        except UsageError as error:
            words = html.Span(failure_words.failure_text(error), className="refused-words")
            return (*(no_update,) * 4, words, True, no_update)


def _keep(
    desk: Desk, what: dict[str, str], seen: dict[str, int], who: str, form: Mapping[str, Any]
) -> Any:
    if not form["verdict"]:
        raise UsageError("no verdict was chosen", todo="choose one; nothing is chosen for you")
    done = [what["finding"], *(form["also"] or [])]
    made = record.judge(
        desk.archive, what["session"], done, form["verdict"], reviewer=who,
        note=form["note"] or "", reasons=_reasons(form, what), seen=seen,
    )  # fmt: skip
    waiting = waiting_of(desk, what["arm"], what["whose"], what["session"])
    following = record.next_after(waiting, what["finding"], who)
    said = f"Kept: {form['verdict']}" + (
        f", {counted(len(done), 'finding')}." if len(done) > 1 else "."
    )
    if not made[0].complete and form["verdict"] != record.OPEN:
        said += " A disposition is still needed to sign the session."
    left = [w for w in waiting if w.finding.session == what["session"]]
    if not left:
        sign = links.href("sign-off", View(session=what["session"]))
        said_parts: list[Any] = [said, f" Nothing waits in {what['session']} any more: ",
                                 basics.go("sign it off", sign)]  # fmt: skip
    else:
        said_parts = [said]
    next_finding = following.finding if following else None
    if left and next_finding and next_finding.session != what["session"]:
        first = left[0].finding
        said_parts = [
            f"{said} The next one is of another session; {len(left)} more wait in this one: ",
            basics.go("go on there", links.href(
                "queue", View(session=first.session, flag=first.lead.flag), whose="session")),
        ]  # fmt: skip
    return _shown(desk, what, next_finding.finding if next_finding else "", said_parts,
                  session=next_finding.session if next_finding else "")  # fmt: skip


def _shown(
    desk: Desk, what: dict[str, str], name: str, said: Any, session: str | None = None
) -> Any:
    waiting = waiting_of(desk, what["arm"], what["whose"], what["session"])
    there = session if session is not None else what["session"]
    finding = record.chosen(desk.archive, there, name)
    main: Any = (
        panel(desk, finding, said)
        if finding
        else [html.P(said, role="status"), nothing_waits(True, record.waits(desk.archive))]
    )
    moved = {"session": there, "flag": finding.lead.flag if finding else ""}
    new = _what(finding, what["arm"], what["whose"])
    return list_of(desk, waiting, name), set_in_type(main), new, moved, *(no_update,) * 3


def _reasons(form: Mapping[str, Any], what: dict[str, str]) -> record.Reasons | None:
    """Return the reasons of the form; None where only a verdict was meant."""
    chosen = ("class", "severity", "likelihood", "decision", "cause", "reason")
    if not any(form[n] for n in chosen):
        return None
    if not form["class"]:
        raise UsageError("a disposition has a class", todo="choose major, minor or none")
    links_ = []
    for text in form["links"] or []:
        kind, to, words = text.split("|", 2)
        links_.append(record.Link(kind, to, words))
    return record.Reasons(
        observed=form["observed"] or "", nonconformance=form["class"],
        cause=form["cause"] or None, severity=form["severity"], likelihood=form["likelihood"],
        decision=form["decision"], reason=form["reason"] or "",
        concession=form["concession"] or "", conditions=form["conditions"] or "",
        owner=form["owner"] or "", verification=form["verification"] or "", links=tuple(links_),
    )  # fmt: skip


def _what(finding: record.Finding | None, arm: str, whose: str) -> dict[str, str]:
    return {
        "session": finding.session if finding else "",
        "finding": finding.finding if finding else "",
        "arm": arm,
        "whose": whose,
    }


PAGE = Page(
    "queue",
    "Queue",
    "What waits for a verdict, worst first, across sessions and arms.",
    layout,
    register,
    {"arm": None, "whose": tuple(WHOSE)},
)
