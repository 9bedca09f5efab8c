"""Review: the flags of one session in one list, a verdict and a note for each.

Longer than 245 lines because a flag's card, its form and the callback that keeps
it share their ids.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from dash import ALL, MATCH, ClientsideFunction, Dash, Input, Output, State, html, no_update
from dash.development.base_component import Component
from flask import Response

from dashboards import links
from dashboards.components import basics
from dashboards.components.figure_card import aria, save_links
from dashboards.components.news import news_mark
from dashboards.components.pickers import choice, session_picker
from dashboards.components.reviewer import REVIEWER, reviewer_field
from dashboards.components.saving import send_table
from dashboards.components.verdicts import (
    last_seen,
    told_of,
    verdict_form,
    verdict_line,
)
from dashboards.failure_words import failure_text
from dashboards.links import View
from dashboards.pages.page import Desk, Page
from dashboards.queries import catalogue, decisions, news
from dashboards.queries.event.events import place
from dashboards.queries.record import cautions_of_session, findings
from dashboards.queries.session import completeness
from replay.errors import StaleError, UsageError
from replay.wording import clock, counted, kind_words, score_figure

SHOW = {"all": "all flags", "open": "open only", "decided": "decided only"}


def layout(desk: Desk, view: View) -> Component:
    """Return the review of the session asked for, else of the newest."""
    sessions = catalogue.sessions_of(desk.archive)
    if not sessions:
        return basics.message(
            "There is no session in this archive yet.", "Take logs in on the library page."
        )
    name = view.session or sessions[0][0]
    record = desk.archive.session(name)
    mark = news_mark(news.last_entry(desk.archive), name)
    table = decisions.review_table(desk.archive, name)
    show = view.extra.get("show", "all")
    leads = decisions.leads(desk.archive, name)
    rows = {r["flag"]: r for r in table.iter_rows(named=True)} if table.height else {}
    shown = [rows[lead] for lead in leads if _wanted(rows[lead], show)]
    checked = catalogue.last_check(desk.archive, name)
    told, routine = catalogue.notes_by_level(record)
    return html.Div(
        [
            mark,
            html.Div(
                [
                    html.H1("Review"),
                    session_picker("review-session", sessions, name),
                    _show_picker(show),
                    basics.go(
                        "Replay", links.href("replay", View(session=name)), className="button"
                    ),
                    save_links(
                        "the flags with their verdicts",
                        {
                            form: f"/data/review/{name}/flags.{form.lower()}"
                            for form in ("CSV", "Parquet")
                        },
                    ),
                ],
                className="row",
            ),
            *[
                basics.caution(words)
                for words in cautions_of_session(desk.archive, name, findings(desk.archive, name))
            ],
            html.Section(
                [
                    html.Dl(
                        [
                            html.Div([html.Dt(k), html.Dd(v)])
                            for k, v in catalogue.facts(
                                record, completeness.words(desk.archive, record)
                            )
                        ],
                        className="facts",
                    ),
                    html.P(checked, className="faint check-line"),
                    _details("Quality notes", [_note(n) for n in told]),
                    _details("Routine changes", [_note(n) for n in routine]),
                    _details("Switched off", list(record.switched_off)),
                ],
                className="sheet",
                **aria(label="The session"),
            ),
            html.Div(
                [
                    html.P(_count_words(table), id="review-count", role="status"),
                    reviewer_field(),
                ],
                className="row review-bar",
            ),
            html.Ol(
                [
                    html.Li(
                        _flag_card(desk, name, row, [rows[f] for f in leads[row["flag"]][1:]]),
                        className="sheet flag-card",
                    )
                    for row in shown
                ],
                className="flag-list",
                id="review-list",
            )
            if shown
            else basics.message(_nothing(table, show, checked)),
            _orphans(desk, name),
            basics.caution(
                "A verdict here is a note for your own process; none stands in for the operator's "
                "own sign-off. With a person on the tip or a brake in doubt, stop and follow the "
                "operator's own rules."
            ),
        ],
        className="review",
    )


def register(app: Dash, desk: Desk) -> None:
    """Add the review's callbacks and routes."""
    in_browser = app.clientside_callback
    in_browser(
        ClientsideFunction("jointbook_review", "open"),
        Output("review-count", "title"),
        Input("review-session", "value"),
        Input("review-show", "value"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output({"type": "verdict-line", "flag": MATCH, "session": MATCH}, "children"),
        Output({"type": "verdict-said", "flag": MATCH, "session": MATCH}, "children"),
        Output({"type": "verdict-seen", "flag": MATCH, "session": MATCH}, "data"),
        Input({"type": "verdict-save", "flag": MATCH, "session": MATCH}, "n_clicks"),
        State({"type": "verdict-word", "flag": MATCH, "session": MATCH}, "value"),
        State({"type": "verdict-note", "flag": MATCH, "session": MATCH}, "value"),
        State({"type": "verdict-seen", "flag": MATCH, "session": MATCH}, "data"),
        State({"type": "verdict-save", "flag": MATCH, "session": MATCH}, "id"),
        State(REVIEWER, "value"),
        prevent_initial_call=True,
    )
    def save(
        clicks: int | None,
        word: str,
        note: str | None,
        seen: int,
        name: dict[str, str],
        who: str | None,
    ) -> Any:
        if not clicks:
            return no_update, no_update, no_update
        session, flag = name["session"], name["flag"]
        try:
            decisions.decide(desk.archive, session, flag, word, note or "", who or "", seen)
        except StaleError:
            past = decisions.history(desk.archive, session, flag)
            newest = past.row(-1, named=True)
            said = newest["verdict"] + (f", “{newest['note']}”" if newest["note"] else "")
            return verdict_line(past), told_of(newest["reviewer"], said), last_seen(past)
        except UsageError as error:
            return no_update, html.Span(failure_text(error), className="refused-words"), no_update
        past = decisions.history(desk.archive, session, flag)
        return verdict_line(past), "kept", last_seen(past)

    @app.callback(
        Output(
            {"type": "verdict-line", "flag": MATCH, "session": MATCH},
            "children",
            allow_duplicate=True,
        ),
        Input({"type": "verdict-news", "flag": MATCH, "session": MATCH}, "data"),
        State({"type": "verdict-save", "flag": MATCH, "session": MATCH}, "id"),
        prevent_initial_call=True,
    )
    def show_news(seq: int, name: dict[str, str]) -> Any:
        # what was seen stays as it was: a verdict of before is still asked about
        return verdict_line(decisions.history(desk.archive, name["session"], name["flag"]))

    @app.callback(
        Output("review-count", "children"),
        Input({"type": "verdict-said", "flag": ALL, "session": ALL}, "children"),
        State("review-session", "value"),
        prevent_initial_call=True,
    )
    def recount(said: list[Any], session: str) -> str:
        return _count_words(decisions.review_table(desk.archive, session))

    @app.server.route("/data/review/<session>/flags.<form>")
    def save_flags(session: str, form: str) -> Response | tuple[str, int]:
        if not desk.archive.has_session(session):
            return f"there is no session {session!r}", 404
        return send_table(decisions.review_table(desk.archive, session), f"{session}-flags", form)


def _wanted(row: dict[str, Any], show: str) -> bool:
    if show == "open":
        return bool(row["verdict"] == decisions.OPEN)
    return show != "decided" or row["verdict"] != decisions.OPEN


def _show_picker(show: str) -> Component:
    return choice("Show", "review-show", SHOW, show if show in SHOW else "all")


def _flag_card(
    desk: Desk, session: str, row: dict[str, Any], under: list[dict[str, Any]]
) -> Component:
    """Return one finding: its lead flag, the flags under it, its verdict."""
    history = decisions.history(desk.archive, session, row["flag"])
    start: datetime = row["start"]
    length = (row["end"] - start).total_seconds()
    view = View(session=session, flag=row["flag"])
    return html.Div(
        [
            html.Div(
                [
                    basics.severity(row["severity"]),
                    html.H2(f"{place(row['joint'])} · {kind_words(row['kind'])}"),
                    html.Span(
                        f"{clock(start, 3)} UTC, {length:.2f} s",
                        className="faint",
                    ),
                    html.Span(
                        f"score {score_figure(row['score'])}", className="faint", title=_SCORE
                    ),
                    basics.go("Open the event", links.href("event", view), className="button"),
                    basics.go(
                        "In the replay",
                        links.href(
                            "replay",
                            View(session=session, at_ns=links.to_ns(start), flag=row["flag"]),
                        ),
                        className="button quiet",
                    ),
                ],
                className="row",
            ),
            html.P(row["summary"], className="flag-summary"),
            _under(session, under),
            verdict_form(
                session,
                row["flag"],
                row["verdict"],
                row["note"],
                decisions.VERDICTS,
                last_seen(history),
            ),
            html.Div(
                verdict_line(history),
                id={"type": "verdict-line", "flag": row["flag"], "session": session},
            ),
        ],
        className="stack",
    )


def _under(session: str, rows: list[dict[str, Any]]) -> Component | None:
    if not rows:
        return None
    return html.Details(
        [
            html.Summary(f"{counted(len(rows), 'more flag')} of the same cause"),
            html.Ul(
                [
                    html.Li(
                        [
                            basics.go(
                                r["flag"],
                                links.href("event", View(session=session, flag=r["flag"])),
                            ),
                            f" {r['summary']}",
                        ]
                    )
                    for r in rows
                ]
            ),
        ]
    )


_SCORE = "minus the decimal logarithm of how often chance alone would do this: higher is rarer"


def _details(title: str, lines: list[str]) -> Component | None:
    if not lines:
        return None
    return html.Details(
        [html.Summary(f"{title} ({len(lines)})"), html.Ul([html.Li(line) for line in lines])]
    )


def _note(note: Any) -> str:
    where = note.channel or note.joint or ""
    times = f" ({note.count} times)" if note.count > 1 else ""
    return f"{where + ': ' if where else ''}{note.detail}{times}"


def _count_words(table: Any) -> str:
    if not table.height:
        return "No flags."
    open_count = int((table["verdict"] == decisions.OPEN).sum())
    flags = counted(table.height, "flag")
    return f"{flags}, {open_count} open, {table.height - open_count} decided."


def _nothing(table: Any, show: str, checked: str) -> str:
    if table.height:
        return f"No flag here is “{SHOW.get(show, show)}”."
    if "flags lost" in checked:
        return checked
    if checked.startswith("Not checked"):
        return "No flags, because this session was not checked yet."
    return "The check raised no flag in this session. That is advice, not a clearance."


def _orphans(desk: Desk, session: str) -> Component | None:
    left = decisions.orphans(desk.archive, session)
    if not left.height:
        return None
    return html.Section(
        [
            html.H2("Decided before, no longer flagged"),
            html.Ul(
                [
                    html.Li(
                        f"{place(r['joint'])} · {kind_words(r['kind'])} at {clock(r['start'])}: "
                        f"{r['verdict']} by {r['reviewer']}, {r['at']:%Y-%m-%d %H:%M}. {r['note']}"
                    )
                    for r in left.iter_rows(named=True)
                ]
            ),
        ],
        className="sheet",
    )


PAGE = Page(
    "review",
    "Review",
    "The flags of one session in one list, with a verdict and a note for each.",
    layout,
    register,
    {"show": tuple(SHOW)},
)
