"""What people said of a session is said of it under the name that it has when its log went on."""

from __future__ import annotations

from pathlib import Path

import pytest

from replay.archive import Archive, open_archive, repair, verify
from replay.reports.frames import verdict_frame
from replay.reviews import (
    add_pin,
    findings,
    history,
    judge,
    orphaned_verdicts,
    pins,
    verdicts,
)
from replay.reviews.judgements.dispositions import Reasons
from replay.reviews.judgements.verdicts import disposition_in_force, reviewed_flags
from replay.reviews.queue import queue
from tests.reviews.makers import add_session, at, flag_row, keep_flags, make_archive

REASONS = Reasons(observed="held back for 2 s", nonconformance="none")


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    """A session that was judged and pinned, then completed twice and checked again."""
    archive = make_archive(tmp_path / "archive")
    add_pin(archive, "s1", at(5), text="look here", author="R. Moss")
    judge(archive, "s1", "f1", "explained", reviewer="R. Moss", reasons=REASONS)
    judge(archive, "s1", "f4", "watch", reviewer="R. Moss")
    judge(archive, "s1", "f5", "false-flag", reviewer="R. Moss", note="the recorder paused")
    add_session(archive, "s2", instead_of="s1")
    add_session(archive, "s3", instead_of="s2")
    keep_flags(
        archive,
        flag_row("g1", "J1", "act", group="H", score=9.1, kind="stall"),
        flag_row("g2", "J2", "look", group="H", score=7.0, kind="stall", start=10.3),
        flag_row("g3", "J3", "note", group="H", score=4.0, kind="stall", start=10.4),
        flag_row("g4", "J4", "look", score=6.0, start=30.0, end=55.0),
        session="s3",
    )
    return archive


def test_a_verdict_follows_to_the_same_flags(archive: Archive) -> None:
    stall = next(f for f in findings(archive, "s3") if f.kind == "stall")
    held = disposition_in_force(archive, stall)
    assert held is not None
    assert (held.session, held.verdict, set(held.flags)) == ("s3", "explained", {"g1", "g2", "g3"})
    assert [f.finding.kind for f in queue(archive)] == ["friction"]
    seen = dict(reviewed_flags(archive, "s3").select("flag", "verdict").rows())
    assert seen == {"g1": "explained", "g2": "explained", "g3": "explained", "g4": "open"}
    assert verdicts(archive).sort("flag").equals(verdicts(archive, "s3").sort("flag"))


def test_a_flag_that_grew_with_the_log_is_open_again_and_its_verdict_is_shown(
    archive: Archive,
) -> None:
    drag = next(f for f in findings(archive, "s3") if f.kind == "friction")
    assert disposition_in_force(archive, drag) is None
    assert sorted(orphaned_verdicts(archive, "s3")["flag"]) == ["f4", "f5"]


def test_pins_and_history_follow_through_every_name(archive: Archive) -> None:
    assert pins(archive, "s3")["text"].to_list() == ["look here"]
    assert [e.kind for e in history(archive, "s3")] == ["pin", "verdict", "verdict", "verdict"]
    assert {e.session for e in history(archive, "s3")} == {"s1"}  # the record is as it was written
    assert set(verdict_frame(archive, session="s3")["session"]) == {"s3"}


def test_a_later_verdict_counts_and_an_earlier_one_stays(archive: Archive) -> None:
    judge(archive, "s3", "g1", "repair", reviewer="K. Fell", note="worn")
    held = {r["flag"]: r for r in verdicts(archive, "s3").to_dicts()}
    assert (held["g1"]["verdict"], held["g1"]["revisions"]) == ("repair", 2)


def test_earlier_names_outlive_the_catalogue_and_a_mended_record(archive: Archive) -> None:
    root = archive.root
    for path in (root / "tables/sessions").glob("*.parquet"):
        path.unlink()
    repair(open_archive(root), drop=True)
    again = open_archive(root)
    assert again.earlier() == {"s3": ("s2", "s1")}
    assert again.sessions()["session"].to_list() == ["s3"]
    (root / "samples/s3/session.json").unlink()
    repair(open_archive(root))
    assert open_archive(root).earlier() == {"s3": ("s2", "s1")}
    assert [f for f in verify(open_archive(root)) if f.weight == "damage"] == []


def test_a_session_that_is_read_anew_keeps_its_earlier_names(archive: Archive) -> None:
    frame = archive.samples("s3").collect()
    archive.add_session(archive.session("s3"), {"main": frame}, replace=True)
    assert open_archive(archive.root).earlier() == {"s3": ("s2", "s1")}
