"""Replay: one session, all joints, sample by sample.

The browser draws and moves (`assets/replay_*.js`); the server is asked for
windows of data (`session_data`), never for a frame.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from dash import Dash, Input, Output, html
from dash.development.base_component import Component

from dashboards import ids
from dashboards.components import basics
from dashboards.components.news import news_mark
from dashboards.components.replay_page import replay
from dashboards.components.replay_page.replay_side import side
from dashboards.links import View, parse_instant, to_ns
from dashboards.pages.page import Desk, Page
from dashboards.pages.session_pages.session_data import add_routes
from dashboards.pages.session_pages.session_pins import pins_of, register_pins
from dashboards.queries import baselines, catalogue, news, record
from dashboards.queries.session import completeness, posture, sessions
from replay.wording import kind_words, score_figure, typeset


def layout(desk: Desk, view: View) -> Component:
    """Return the replay of the session asked for, else of the newest."""
    recent = sessions.listing(desk.archive)
    if not recent.height:
        return basics.message(
            "There is no session in this archive yet.",
            "Take logs in on the library page or with `jointbook ingest LOG…`, or build the demo "
            "with `jointbook demo`.",
        )
    asked = catalogue.session_asked(desk.archive, view.session, view.flag)
    name = asked or str(recent["session"][0])
    mark = news_mark(news.last_entry(desk.archive), name)
    found = sessions.outline(desk.archive, name)
    view = _at_the_flag(desk, found, _at_the_worst(desk, name, view))
    facts = [
        html.Div([html.Dt(k), html.Dd(v)])
        for k, v in sessions.facts(found, completeness.words(desk.archive, found.record))
    ]
    off = [*found.record.switched_off]
    base, why = baselines.newest(desk.archive)
    if base is None:
        off.append(why)
    off += baselines.not_in_the_drawing(base, found.record)
    details = html.Details(
        [html.Summary("What is switched off"), html.Ul([html.Li(w) for w in off])],
        className="rp-details rp-off",
    )
    return html.Div(
        [
            mark,
            html.Div(
                [
                    html.H1("Replay", className="rp-title"),
                    replay.picker(name, _options(desk, name)),
                    html.Dl(facts, className="rp-facts"),
                    details if off else None,
                ],
                className="rp-head",
            ),
            *_person(desk, name),
            _unknown_joints(found, view),
            replay.controls(),
            replay.strip(),
            html.Div(
                [
                    html.Div(
                        [replay.clock_line(), html.Div(id="rp-stack", className="rp-stack")],
                        className="rp-left",
                    ),
                    side(),
                ],
                className="rp-body",
            ),
            *replay.stores(_config(desk, found, view, base.version if base else "")),
        ],
        className="rp",
    )


ROOM_NS = (5_000_000_000, 60_000_000_000)
"""A flag is shown with as much before and after it as it lasts, within these."""


def _at_the_worst(desk: Desk, session: str, view: View) -> View:
    """Return the view at the session's worst finding, its joint in front, where none is asked."""
    asked = (view.at_ns, view.start_ns, view.end_ns, view.flag, view.extra.get("front"))
    worst = None if any(asked) or view.joints else record.worst_of(desk.archive, session)
    if worst is None:
        return view
    front = {"front": worst.joints[0]} if worst.joints else {}
    return replace(view, at_ns=to_ns(worst.lead.start), extra={**view.extra, **front})


def _at_the_flag(desk: Desk, found: sessions.Outline, view: View) -> View:
    """Return the view of the flag that the address names, where it names no instant."""
    if view.flag is None or any((view.at_ns, view.start_ns, view.end_ns)):
        return view
    named = [f for f in sessions.flags_of(desk.archive, found.session) if f["flag"] == view.flag]
    if not named:
        return view
    start, end = int(named[0]["start_ns"]), int(named[0]["end_ns"])
    room = min(max(end - start, ROOM_NS[0]), ROOM_NS[1])
    last = found.zero_ns + int(found.length_s * 1e9)
    return replace(
        view,
        at_ns=start,
        start_ns=max(start - room, found.zero_ns),
        end_ns=min(end + room, last),
    )


def _unknown_joints(found: sessions.Outline, view: View) -> Component | None:
    unknown = [j for j in view.joints if j not in found.record.joints]
    if not unknown:
        return None
    return basics.message(
        f"The link names {', '.join(unknown)}: no such joint in this session.",
        f"It has {', '.join(found.record.joints)}.",
    )


def _person(desk: Desk, session: str) -> list[Component]:
    return [basics.caution(words) for words in record.person_words(desk.archive, session)]


def _options(desk: Desk, chosen: str) -> dict[str, list[dict[str, str]]]:
    """Return the picker's groups: sessions about the chosen one; months, where there are more."""
    rows = sessions.listing(desk.archive, near=chosen)
    near = [
        {"value": r["session"], "label": f"{r['start']:%Y-%m-%d %H:%M} · {r['session']}"}
        for r in rows.iter_rows(named=True)
    ]
    months = sessions.months(desk.archive)
    groups = {"Before and after": near}
    if sum(count for _, _, count in months) > len(near):
        listed = {o["value"] for o in near}
        groups["Newest of a month"] = [
            {"value": name, "label": f"{month} · {count} session{'s' if count > 1 else ''}"}
            for month, name, count in months
            if name not in listed
        ]
    return groups


def _config(desk: Desk, found: sessions.Outline, view: View, baseline: str) -> dict[str, Any]:
    """Return what the browser needs before any sample; times in s since the start."""

    def seconds(ns: int | None) -> float | None:
        return None if ns is None else (ns - found.zero_ns) / 1e9

    holds = news.verdict_words(desk.archive, found.session)
    rate = found.record.rate_hz or max(found.record.rows - 1, 1) / found.length_s
    flags = [
        {
            "flag": f["flag"],
            "joint": f["joint"],
            "kind": f["kind"],
            "kind_words": kind_words(f["kind"]),
            "severity": f["severity"],
            "summary": typeset(f["summary"]),
            "score_words": score_figure(f["score"]),
            "start": seconds(f["start_ns"]),
            "end": seconds(f["end_ns"]),
            "caution": sessions.caution_of(f),
            "holds": holds.get(f["flag"], ""),
        }
        for f in sessions.flags_of(desk.archive, found.session)
    ]
    mark = parse_instant(view.extra.get("mark"))
    since = parse_instant(view.extra.get("since"))
    return {
        "session": found.session,
        "zero_ns": str(found.zero_ns),
        "length": found.length_s,
        "step": 1.0 / rate,
        "decimals": 3 if rate <= 1000 else 6,
        "joints": list(found.joints),
        "flags": flags,
        "pins": pins_of(desk, found),
        "base": found.record.base_end,
        "baseline": baseline,
        "load": bool(found.arm and any(j.link for j in found.arm.joints)),
        "posture": posture.missing(found),
        "view": {
            "from": seconds(view.start_ns),
            "to": seconds(view.end_ns),
            "at": seconds(view.at_ns),
            "mark": seconds(mark),
            "since": seconds(since),
            "joints": list(view.joints),
            "front": view.extra.get("front", ""),
            "flag": view.flag,
        },
    }


def register(app: Dash, desk: Desk) -> None:
    """Add the replay's callbacks and data routes."""
    browser: Any = app  # Dash leaves this method without types

    browser.clientside_callback(
        "function (config) { if (config) window.jointbook.replay.mount(config); return ''; }",
        Output("replay-mounted", "data"),
        Input(ids.REPLAY_CONFIG, "data"),
    )
    register_pins(app, desk)
    add_routes(app, desk)


PAGE = Page(
    "replay",
    "Replay",
    "Step through a session sample by sample",
    layout,
    register,
    {"mark": None, "front": None, "since": None},
)
