"""What fills the sections of the event page.

Longer than 245 lines because each section's callback stands beside what it draws, and all take
the same event and window.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, html, no_update, set_props
from dash.development.base_component import Component

from dashboards import ids, links
from dashboards.components import basics
from dashboards.components.event_page import event_parts
from dashboards.components.event_page.event_sections import asked_for
from dashboards.components.event_page.rebuilt import rebuilt_part
from dashboards.components.figure_card import figure_card
from dashboards.components.plain_tables import table
from dashboards.components.terms import term
from dashboards.components.typeset import set_in_type
from dashboards.figures import event as draw
from dashboards.figures.detectors import spoken
from dashboards.links import View
from dashboards.pages.event_pages.event_everywhere import register_everywhere
from dashboards.pages.page import Desk
from dashboards.queries import work
from dashboards.queries.event import brakes, events, rebuilt, scores, sensors, similar_motions
from dashboards.queries.event.unflagged import larger_unflagged
from replay.wording import counted, score_figure


def register_sections(app: Dash, desk: Desk) -> None:
    """Add one callback a section: each is filled on its own, once it is open."""
    in_browser = app.clientside_callback
    in_browser(
        ClientsideFunction("jointbook_event", "arrived"),
        Output("event-arrived", "data"),
        Input("event-what", "data"),
    )
    in_browser(
        ClientsideFunction("jointbook_event", "chosen"),
        Output("event-index", "title"),
        Input("event-by", "value"),
        Input("event-k", "value"),
        Input("event-rate", "value"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("event-likes", "children"),
        Input(asked_for("likes"), "data"),
        Input("event-by", "value"),
        Input("event-k", "value"),
        Input(ids.JOBS_DONE, "data"),
        State("event-what", "data"),
        prevent_initial_call=True,
    )
    def show_likes(
        asked: int | None, by: str, k: str, done: list[str], what: dict[str, Any]
    ) -> Any:
        if not asked:
            return no_update
        event = event_of(desk, what)
        found = similar_motions.likes_of(desk.archive, event, int(k))
        if isinstance(found, str):
            return basics.message(found)
        return set_in_type(_likes(event, found, by))

    @app.callback(
        Output("event-index", "disabled"),
        Input("event-index", "n_clicks"),
        prevent_initial_call=True,
    )
    def index(clicks: int) -> Any:
        if not clicks:
            return no_update
        desk.jobs.start("Indexing motions", lambda step: work.index(desk.archive, step))
        set_props(ids.JOBS_BEAT, {"disabled": False})
        return True

    @app.callback(
        Output("event-scores", "children"),
        Input(asked_for("scores"), "data"),
        Input("event-rate", "value"),
        State("event-what", "data"),
        prevent_initial_call=True,
    )
    def show_scores(asked: int | None, rate: str, what: dict[str, Any]) -> Any:
        if not asked:
            return no_update
        event = event_of(desk, what)
        found = scores.scores_of(desk.archive, event)
        if isinstance(found, str):
            return basics.message(found)
        limit = float(rate) if rate else found.asked
        return set_in_type(_scores(event, found, limit, _window(what)))

    @app.callback(
        Output("event-rebuilt", "children"),
        Input(asked_for("scores"), "data"),
        Input("event-rate", "value"),
        State("event-what", "data"),
        prevent_initial_call=True,
    )
    def show_rebuilt(asked: int | None, rate: str, what: dict[str, Any]) -> Any:
        if not asked:
            return no_update
        event = event_of(desk, what)
        found = rebuilt.rebuilt(desk.archive, event, float(rate) if rate else None)
        if found is None or isinstance(found, str):
            return html.P(found, className="faint") if found else None
        return rebuilt_part(found.rows, found.rate, found.learned, event.record.start)

    register_everywhere(app, desk)

    @app.callback(
        Output("event-others", "children"),
        Input(asked_for("others"), "data"),
        State("event-what", "data"),
        prevent_initial_call=True,
    )
    def show_others(asked: int | None, what: dict[str, Any]) -> Any:
        if not asked:
            return no_update
        event = event_of(desk, what)
        start, end = _window(what)
        rows = events.neighbours(desk.archive, event, start, end)
        figure = draw.others(rows, event.start, event.end, list(event.record.joints), event.joint)
        during = events.at_instant(rows, event)
        larger = larger_unflagged(desk.archive, event, rows)
        shown = [
            figure_card(
                "event-others-plot",
                "Motor currents, A",
                figure,
                "One strip a joint, end A first; dotted: expected current, where one is: while a "
                "joint stands with its brake released, friction holds any.",
                height=90 + 62 * during.height,
                level=3,
            ),
            html.Ul([html.Li(text) for text in larger], id="event-larger") if larger else None,
            event_parts.joints_table(during, event.joint),
        ]
        return set_in_type(shown)

    @app.callback(
        Output("event-brakes", "children"),
        Input(asked_for("brakes"), "data"),
        State("event-what", "data"),
        prevent_initial_call=True,
    )
    def show_brakes(asked: int | None, what: dict[str, Any]) -> Any:
        if not asked:
            return no_update
        event = event_of(desk, what)
        start, end = _window(what)
        rows = brakes.brake_sequence(
            desk.archive, event, start, end, joints=list(event.record.joints)
        )
        if not rows.height:
            return html.P(
                "No brake changed and the joint neither started nor stopped in this window, or "
                "the log has no brake channels.",
                className="faint",
            )
        words = brakes.step_words(desk.archive, event, start, end)
        sequence = event_parts.brakes_table(rows, event.joint, len(event.record.joints))
        return set_in_type([sequence, html.P(words, className="faint")])

    @app.callback(
        Output("event-sensors", "children"),
        Input(asked_for("sensors"), "data"),
        State("event-what", "data"),
        prevent_initial_call=True,
    )
    def show_sensors(asked: int | None, what: dict[str, Any]) -> Any:
        if not asked:
            return no_update
        event = event_of(desk, what)
        start, end = _window(what)
        rows, notes = sensors.sensor_health(desk.archive, event, start, end)
        said = (
            html.Ul([html.Li(n) for n in notes])
            if notes
            else html.P("No quality note of the log touches this window.", className="faint")
        )
        return set_in_type([event_parts.health_table(rows), html.H3("Quality notes"), said])


def event_of(desk: Desk, what: dict[str, Any]) -> events.Event:
    """Return the event that the page's store describes."""
    return events.find_event(
        desk.archive,
        what["session"],
        what["flag"],
        joint=what["joint"],
        start=datetime.fromisoformat(what["start"]),
        end=datetime.fromisoformat(what["end"]),
    )


def _window(what: dict[str, Any]) -> tuple[datetime, datetime]:
    return datetime.fromisoformat(what["from"]), datetime.fromisoformat(what["to"])


def _likes(event: events.Event, found: similar_motions.Likes, by: str) -> list[Component]:
    def link(motion: dict[str, Any]) -> str:
        return links.href(
            "replay",
            View(
                session=motion["session"],
                start_ns=links.to_ns(motion["start"]),
                end_ns=links.to_ns(motion["end"]),
                at_ns=links.to_ns(motion["start"]),
                joints=(motion["joint"],),
            ),
        )

    kind = found.own["motion"]
    others = counted(found.searched, f"other {kind} stretch", f"other {kind} stretches")
    words = (
        f"Unit {event.serial} has {others} in this direction in "
        f"{counted(found.sessions, 'session')}; "
        f"nearest in {', '.join(found.compared) or 'nothing logged'}."
    )
    if found.waiting:
        waiting = counted(found.waiting, "session is", "sessions are")
        words += f" {waiting} not looked through yet: the button does that."
    if not found.motions.height:
        return [basics.message(words)]
    apart = similar_motions.apart_words(found, event.serial)
    rows = event_parts.motions_table(found.motions, found.own, link, similar_motions.ALIKE)
    if len(found.labels) == 1:
        return [
            html.P(html.Strong(apart), id="event-apart", role="status"),
            html.P(words, className="faint"),
            rows,
        ]
    figure = draw.similar_motions_figure(
        found.traces,
        found.labels,
        by,
        joint_index=event.record.joints.index(event.joint),
        marked=found.marked,
    )
    return [
        figure_card(
            "event-likes-plot",
            f"{draw.QUANTITIES[by]}",
            figure,
            f"{words} {apart}".strip(),
            height=300,
            level=3,
        ),
        rows,
    ]


def _scores(
    event: events.Event,
    found: scores.Scores,
    rate: float,
    window: tuple[datetime, datetime],
) -> list[Component]:
    loud = scores.loudest(found, event.start, event.end)
    limit = scores.limit_of(rate)
    trace = found.trace.filter(found.trace["time"].is_between(*window))
    figure = draw.score_through_time(
        trace,
        event.start,
        event.end,
        limit,
        found.limit,
        detectors=scores.drawn_detectors(found, event, loud),
    )
    now, learned = (scores.what_if(found, event, r) for r in (rate, found.asked))
    fired = event_words(event) or (
        f"{spoken(loud['detector'][0])} at {loud['most'][0]:+.1f} spreads"
        if loud.height
        else "none"
    )
    what = "this span" if event.flag is None else "this flag"
    verdict = "would still be flagged" if now["flagged"] else "would not be flagged"
    words = (
        f"At {rate:g} false flag{'' if rate == 1 else 's'} per 100 joint-hours the limit is a "
        f"score of {now['limit']:.2f}: {what}, at {score_figure(now['peak'])}, {verdict}. "
        f"{event.joint}'s score is at or above it in {_stretches(now)} of this session"
    )
    if rate != found.asked:
        words += f", against {_stretches(learned)} at the limit as learned, {learned['limit']:.2f}"
    words += ". A stretch is not a flag: near ones are one event, and below stands what is flagged."
    beside = ""
    if event.score is not None and now["trace"] > 1.02 * event.score:
        beside = (
            f" It rises to {score_figure(now['trace'])} here, above the flag's "
            f"{score_figure(event.score)}: drawn is the rarest detector of each instant, the flag "
            "has the score of the one that found it."
        )
    return [
        html.P([html.Strong("Detector that flagged it: "), fired], className="fired"),
        html.P(words, id="event-what-if", role="status"),
        figure_card(
            "event-scores-plot",
            "Score and its loudest detectors",
            figure,
            f"Baseline {found.version}. The score is minus the decimal logarithm of how often a "
            "healthy joint-hour shows anything as rare; none is drawn where no detector has a "
            f"value.{beside}",
            height=340,
            level=3,
        ),
        table(
            ("Detector", "Largest, healthy spreads"),
            [
                [
                    [term(spoken(name)), f" ({whose})"] if whose else term(spoken(name)),
                    "–" if most is None else f"{most:+.1f}",
                ]
                for name, most, whose in scores.told_detectors(event, loud)
            ],
            caption="Detectors during the event",
            numbers={1},
        ),
    ]


def _stretches(found: dict[str, float | int | bool]) -> str:
    return counted(int(found["stretches"]), "stretch", "stretches")


def event_words(event: events.Event) -> str:
    """Return the detector that the flag itself names, or nothing."""
    named = dict(event.evidence)
    value = named.get("detector value")
    return (
        f"{spoken(named['detector'])}{f' at {value} spreads' if value else ''}"
        if "detector" in named
        else ""
    )
