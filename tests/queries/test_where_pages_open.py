"""Where a page opens without being told, and what it says of what it does not know."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import polars as pl

from dashboards.components.library_page.session_grid import grid_rows
from dashboards.components.queue_page.finding_panel import evidence
from dashboards.links import View, to_ns
from dashboards.pages import compare_pairs
from dashboards.pages.event_pages import event
from dashboards.pages.session_pages import session as replay_page

NOON = datetime(2032, 8, 11, 12, 23, tzinfo=UTC)
LEAD = SimpleNamespace(flag="f-lead", start=NOON + timedelta(seconds=16), summary="J3: held")
FINDING = SimpleNamespace(
    session="s", finding="N1", start=NOON + timedelta(seconds=12), end=NOON + timedelta(seconds=18),
    lead=LEAD, joints=("J3", "J4"), flags=(LEAD,), severity="act", place="J3, J4", kind="stall",
    score=17.3, summary="J3: held",
)  # fmt: skip


def test_the_replay_opens_at_the_flag_that_leads_not_at_one_that_went_before(monkeypatch):
    monkeypatch.setattr(replay_page.record, "worst_of", lambda archive, session: FINDING)
    view = replay_page._at_the_worst(SimpleNamespace(archive=None), "s", View())
    assert view.at_ns == to_ns(LEAD.start)
    assert view.extra["front"] == "J3"


def test_the_queue_leads_to_the_flag_in_the_replay_which_shows_it_whole():
    panel = evidence(SimpleNamespace(finding=FINDING, holder=None))
    leads = [
        part.href for part in panel._traverse() if getattr(part, "children", "") == "In the replay"
    ]
    assert leads == ["/replay?session=s&flag=f-lead&front=J3"]  # an instant would keep the window


def test_a_person_of_whom_nothing_is_logged_is_not_a_blank():
    row = dict.fromkeys(("base_end", "payload_kg", "completeness", "signed", "source"))
    row |= {"session": "s", "arm": "Heron", "start": NOON, "minutes": 6.0, "person": None}
    row |= {"marks": "0", "worst": 0, "flags": 0, "open": 0, "checked": True, "rate_hz": 8.0}
    (told,) = grid_rows(pl.DataFrame([row]), {"Heron": ["J1"]})
    assert told["person"] == "not known"


def test_compare_opens_on_a_joint_that_has_a_pair():
    def made(*paired):
        return SimpleNamespace(
            joints=("J1", "J2", "J3"), pairs_of=lambda j: pl.DataFrame({"n": [1] * (j in paired)})
        )

    assert compare_pairs.opening_joint(made("J2", "J3")) == "J2"
    assert compare_pairs.opening_joint(made()) == "J1"


def test_a_flag_that_there_is_not_leaves_the_choice_of_those_that_there_are(monkeypatch):
    flags = pl.DataFrame(
        {"flag": ["f1"], "severity": ["look"], "joint": ["J4"], "kind": ["gap"],
         "start": [datetime(2032, 3, 3, 12, tzinfo=UTC)], "summary": ["J4: said"]}
    )  # fmt: skip
    monkeypatch.setattr(event.catalogue, "sessions_of", lambda archive: [("s1", "s1")])
    monkeypatch.setattr(event.catalogue, "session_asked", lambda archive, session, flag: "s1")
    monkeypatch.setattr(event.catalogue, "last_check", lambda archive, session: "")
    monkeypatch.setattr(event.events, "flags_of", lambda archive, session: flags)
    monkeypatch.setattr(event, "person_words", lambda archive, session, **how: [])
    shown = str(event.layout(SimpleNamespace(archive=None), View(session="s1", flag="gone")))
    assert "There is no flag “gone” in this session." in shown
    assert "flag=f1" in shown
