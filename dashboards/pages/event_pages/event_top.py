"""The top of the event page: what was flagged, the evidence, the verdict, the contents."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboards import links
from dashboards.components import basics
from dashboards.components.event_page.argument import argument_part, causes_part
from dashboards.components.figure_card import aria
from dashboards.components.reviewer import reviewer_field
from dashboards.components.terms import term
from dashboards.components.verdicts import (
    last_seen,
    verdict_form,
    verdict_line,
)
from dashboards.failure_words import failure_text
from dashboards.links import View
from dashboards.pages.page import Desk
from dashboards.queries import decisions, record
from dashboards.queries.event import events
from dashboards.queries.event.argument import Argument
from dashboards.queries.event.rarity import UNTOLD, as_rare, rarity, score_words
from replay.errors import DamageError, JointbookError
from replay.wording import clock, kind_words


def head(desk: Desk, event: events.Event, view: View) -> Component:
    """Return the title, and the ways to the review, the replay and the next flag."""
    session = event.record.session
    flags = events.flags_of(desk.archive, session)
    names = flags["flag"].to_list() if flags.height else []
    at = names.index(event.flag) if event.flag in names else None
    shown = f"drawn: {event.joint}" if event.everywhere else f"unit {event.serial}"
    step = []
    if at is not None:
        for text, to in (("Previous flag", at - 1), ("Next flag", at + 1)):
            if 0 <= to < len(names):
                step.append(
                    basics.go(
                        text,
                        links.href("event", View(session=session, flag=names[to])),
                        className="button quiet",
                    )
                )
    replay = links.href(
        "replay",
        View(
            session=session,
            start_ns=links.to_ns(events.window_around(event)[0]),
            end_ns=links.to_ns(events.window_around(event)[1]),
            at_ns=links.to_ns(event.start),
            flag=event.flag,
        ),
    )
    return html.Div(
        [
            html.P(
                [
                    basics.go("Review", links.href("review", View(session=session))),
                    f" of {session}, {event.record.arm}, {event.record.start:%Y-%m-%d}",
                ],
                className="crumb",
            ),
            html.Div(
                [
                    html.H1([f"{event.place} · ", term(event.kind, kind_words(event.kind))]),
                    basics.severity(event.severity) if event.severity else None,
                    html.Span(
                        f"{shown} · {clock(event.start, 3)} UTC for {event.seconds:.2f} s",
                        className="faint",
                    ),
                    basics.go("Step through it in the replay", replay, className="button"),
                    *step,
                ],
                className="row",
            ),
        ]
    )


def words(desk: Desk, event: events.Event, said: Argument) -> Component:
    """Return the argument: expected, seen, by how much, how rare."""
    base, hours, seen, own, why = _taught(desk, event)
    rare = rarity(event.score, hours, seen, why)
    if base:
        rare = f"{rare} Checked against baseline {base}{own}.".strip()
    score = "" if event.score is None else f"{score_words(event.score)}. "
    steps = [
        ("Expected", said.expected),
        ("Seen", said.seen),
        ("By how much", said.by),
        ("Score", f"{score}{rare}"),
    ]
    return argument_part(event.summary, steps)


def causes(event: events.Event, said: Argument) -> Component | None:
    """Return the other causes that were weighed, below what decides."""
    return causes_part(event.kind, said.weighed, said.out)


def _taught(desk: Desk, event: events.Event) -> tuple[str, float | None, int, str, str]:
    """Return the baseline that judged, the joint-hours that taught it, how much was as rare.

    Then what is to be said where this very session taught it, and why hours are not known.
    """
    try:
        baseline = events.baseline_of(desk.archive, event)
    except DamageError:
        raise
    except JointbookError as error:
        return event.baseline or "", None, 0, "", failure_text(error)
    if baseline is None:
        return event.baseline or "", None, 0, "", UNTOLD
    hours = sum(unit.hours for unit in baseline.units.values())
    mine = event.record.session in baseline.sessions
    own = ", which this session helped to teach: this may be one of them" if mine else ""
    return event.baseline or "", hours, as_rare(baseline, event.score), own, UNTOLD


def danger(event: events.Event, figures: Mapping[str, Any]) -> Component | None:
    """Return the caution that stands above everything, for the flags that give cause for one.

    ``figures`` is the evidence kept with the flag. The general caution is said once a page,
    where the page ends.
    """
    text = record.caution_of_flag(event.kind, figures)
    if not text:
        return None
    return basics.caution(
        f"{text} A slipping or late brake can let a joint and whatever it carries move by itself; "
        "local codes and licensed practice hold too."
    )


def verdict(desk: Desk, event: events.Event) -> Component:
    """Return the verdict of the flag and the form for a new one."""
    parts: list[Any] = [
        html.Div([html.H2("Verdict", id="verdict"), reviewer_field()], className="verdict-head")
    ]
    if event.flag is None:
        parts.append(
            html.P("A span of your own is not a flag: pin a note to it.", className="faint")
        )
    else:
        session = event.record.session
        history = decisions.history(desk.archive, session, event.flag)
        holds = (
            history.row(-1, named=True)
            if history.height
            else {"verdict": decisions.OPEN, "note": ""}
        )
        parts += [
            verdict_form(
                session,
                event.flag,
                holds["verdict"],
                holds["note"],
                decisions.VERDICTS,
                last_seen(history),
            ),
            html.Div(
                verdict_line(history),
                id={"type": "verdict-line", "flag": event.flag, "session": session},
            ),
        ]
    return html.Section(parts, className="sheet", **aria(labelledby="verdict"))


def contents(*, causes: bool) -> Component:
    """Return links to the parts of the page; ``causes``: whether other causes are one."""
    names = (
        ("Before, during, after", "event-story-title"),
        *([("Other causes", "causes")] if causes else []),
        ("Similar motions", "likes"),
        ("Score and what if", "scores"),
        ("Other joints", "others"),
        ("Brakes", "brakes"),
        ("Sensors", "sensors"),
        ("Pins", "pins"),
    )
    return html.Nav(
        [html.A(text, href=f"#{anchor}") for text, anchor in names],
        className="event-contents",
        **aria(label="Parts of this event"),
    )
