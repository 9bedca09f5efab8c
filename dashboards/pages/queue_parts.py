"""Parts of the queue page: what waits, and the finding that is open."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from dashboards.components import basics
from dashboards.components.figure_card import aria
from dashboards.components.pickers import choice
from dashboards.components.queue_page.finding_form import FIELDS, finding_form
from dashboards.components.queue_page.finding_panel import asking, evidence, history, waiting_list
from dashboards.pages.page import Desk
from dashboards.queries import record
from replay.wording import clock, counted, kind_words

WHOSE = {
    "all": "everybody's",
    "session": "this session's",
    "free": "nobody's",
    "judged": "with a verdict, without reasons",
}
MOST = 200


def panel(desk: Desk, finding: record.Finding, said: Any = None) -> list[Component]:
    """Return the finding with its form, its history and the place for what is said."""
    one = record.opened(desk.archive, finding.session, finding.finding)
    signed = one.session_state in ("signed", "half-signed")
    seen = {f.finding: record.opened(desk.archive, f.session, f.finding).seen for f in one.beside}
    seen[finding.finding] = one.seen
    return [
        html.Section(
            evidence(one, record.cautions_of(desk.archive, finding)),
            className="sheet",
            **aria(label="The finding"),
        ),
        html.Section(
            [
                basics.message(
                    f"The session is {one.session_state}: this finding is closed.",
                    "Reopen it on the sign-off page to judge it again; what was signed stays.",
                )
                if signed
                else None,
                html.Div(
                    _form(one),
                    hidden=signed,
                    **basics.attributes(data_session=finding.session, data_finding=finding.finding),
                ),
                html.Div(said, id="finding-said", **aria(live="assertive")),
                html.P(id="finding-begun", className="faint", role="status"),
                asking(),
                html.Div(history(one), className="finding-history", id="finding-history"),
                dcc.Store(id="finding-news", data=0),
                dcc.Store(id="finding-seen", data=seen),
                dcc.Store(id="finding-shown", data=0),
            ],
            className="sheet",
            **aria(label="Verdict and disposition"),
        ),
    ]


def _form(one: record.Open) -> Component:
    held = one.held
    r = held.reasons if held else None
    values: dict[str, Any] = {
        "verdict": held.verdict if held else None,
        "note": held.note if held else "",
        "observed": r.observed if r else one.finding.summary,
    }
    if r is not None:
        values |= {n: getattr(r, n) for n in FIELDS if hasattr(r, n) and n != "links"}
        values |= {"class": r.nonconformance, "links": [_key(x) for x in r.links]}
    s = record.scales
    return finding_form(
        values,
        verdicts=record.VERDICTS,
        classes=s.CLASSES,
        severities=s.SEVERITIES,
        likelihoods=s.LIKELIHOODS,
        decisions=s.DECISIONS,
        links={_key(x): x.words or x.to for x in one.links},
        beside={
            f.finding: f"{f.place} · {kind_words(f.kind)} at {clock(f.start)}, {f.severity}"
            for f in one.beside
        },
        scales=(s.RISK_SCALE, s.CLASS_SCALE),
    )


def _key(link: record.Link) -> str:
    return f"{link.kind}|{link.to}|{link.words}"


def mine_of(form: Mapping[str, Any]) -> str:
    """Return what the form holds, in a line, to be set beside what somebody else put on."""
    parts = [form["verdict"] or "no verdict", form["note"] or "", form["class"] or ""]
    return ", ".join(p for p in (*parts, form["decision"] or "") if p)


def waiting_of(desk: Desk, arm: str, whose: str, session: str) -> tuple[record.Waiting, ...]:
    """Return what waits and fits the choices above the list."""
    found = record.queue(
        desk.archive,
        arm=arm or None,
        session=(session or None) if whose == "session" else None,
        holder="" if whose == "free" else None,
    )  # fmt: skip
    return tuple(w for w in found if whose != "judged" or w.state == "judged")


def first_of(
    desk: Desk, waiting: tuple[record.Waiting, ...], session: str | None
) -> record.Finding | None:
    """Return the finding that is open at first: of the session asked for, else the worst."""
    if session:
        there = [w.finding for w in waiting if w.finding.session == session]
        return there[0] if there else record.worst_of(desk.archive, session)
    return waiting[0].finding if waiting else None


def take_or_give_back(desk: Desk, what: dict[str, str], who: str) -> None:
    """Take a finding, or give it back."""
    one = record.opened(desk.archive, what["session"], what["finding"])
    act = record.give_back if one.holder else record.take
    act(desk.archive, what["session"], what["finding"], who=who)


def list_of(desk: Desk, waiting: tuple[record.Waiting, ...], chosen: str) -> list[Component]:
    """Return how many findings wait, and the worst of them; one is open on the right."""
    on_tip = record.on_tip(desk.archive, (w.finding.session for w in waiting[:MOST]))
    count_of = len({w.finding.session for w in waiting})
    more = f" The {MOST} worst are listed." if len(waiting) > MOST else ""
    many = counted(len(waiting), "finding waits", "findings wait")
    count = f"{many} in {counted(count_of, 'session')}.{more}"
    return [
        html.P(count, role="status", className="faint", id="queue-count"),
        waiting_list(waiting[:MOST], chosen, on_tip),
    ]


def arms_of(desk: Desk) -> list[str]:
    """Return the arms of the archive."""
    frame = desk.archive.sessions()
    return sorted(frame["arm"].drop_nulls().unique().to_list()) if frame.height else []


def known_arm(desk: Desk, arm: str) -> tuple[str, Component | None]:
    """Return the arm asked for; all arms and a message where the archive has none such."""
    arms = arms_of(desk)
    if not arm or arm in arms:
        return arm, None
    said = f"Shown are all: {', '.join(arms)}."
    return "", basics.message(f"There is no arm {arm!r} in this archive.", said)


def filters(desk: Desk, arm: str, whose: str) -> Component:
    """Return the choices above the list."""
    arms = arms_of(desk)
    return html.Div(
        [
            choice("Arm", "queue-arm", {"": "all arms"} | {a: a for a in arms}, arm, width=150),
            choice("Show", "queue-whose", WHOSE, whose if whose in WHOSE else "all", width=150),
        ],
        className="row",
    )
