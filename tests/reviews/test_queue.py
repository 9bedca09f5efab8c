"""What waits, worst first, over sessions and arms; who has it; what comes next."""

from __future__ import annotations

import time
from datetime import timedelta

import polars as pl
import pytest

from replay.archive import open_archive
from replay.errors import UsageError
from replay.reviews import findings, judge, sign, statement
from replay.reviews.judgements.dispositions import Reasons
from replay.reviews.queue import alike, give_back, next_after, queue, take, worst_of
from tests.reviews.makers import T0, add_session, flag_row, keep_flags, make_archive

REASONS = Reasons(observed="seen", nonconformance="none")


@pytest.fixture
def archive(tmp_path):
    made = make_archive(tmp_path / "archive")
    add_session(made, "s2", arm="Osprey", day=1)
    keep_flags(
        made,
        flag_row("g1", "J2", "act", score=4.0, start=5.0),
        flag_row("g2", "J4", "look", score=8.0, start=20.0),
        session="s2",
    )
    return made


def names(waiting):
    return [w.finding.lead.flag for w in waiting]


def test_the_worst_is_on_top_across_sessions_and_arms(archive):
    assert names(queue(archive)) == ["f1", "g1", "g2", "f4", "f5"]
    assert names(queue(archive, arm="Osprey")) == ["g1", "g2"]
    assert names(queue(archive, session="s1")) == ["f1", "f4", "f5"]
    assert {w.arm for w in queue(archive)} == {"Heron", "Osprey"}


def test_what_has_a_disposition_or_is_signed_waits_no_more(archive):
    judge(archive, "s1", "f1", "watch", reviewer="R. Moss")
    assert names(queue(archive)) == ["g1", "g2", "f4", "f5", "f1"]  # its reasons are owed still
    assert names(queue(archive, judged=False)) == ["g1", "g2", "f4", "f5"]
    judge(archive, "s1", ["f1", "f4", "f5"], "watch", reviewer="R. Moss", reasons=REASONS)
    assert names(queue(archive)) == ["g1", "g2"]
    sign(archive, "s1", reviewer="R. Moss", mark=statement(archive, "s1").mark)
    assert names(queue(archive)) == ["g1", "g2"]
    keep_flags(archive, flag_row("f7", "J2", "act", score=99.0))  # behind the record's back
    assert names(queue(archive)) == ["g1", "g2"]


def test_who_has_a_finding_is_seen_and_locks_nothing(archive):
    take(archive, "s1", "f2", who="R. Moss")
    with pytest.raises(UsageError, match=r"R\. Moss has this finding"):
        take(archive, "s1", "f1", who="K. Fell")
    assert {w.finding.lead.flag: w.holder for w in queue(archive)}["f1"] == "R. Moss"
    assert names(queue(archive, holder="r. moss")) == ["f1"]
    assert names(queue(archive, holder="")) == ["g1", "g2", "f4", "f5"]
    judge(archive, "s1", "f1", "watch", reviewer="K. Fell")  # nothing is locked
    take(archive, "s1", "f1", who="K. Fell", over=True)
    give_back(archive, "s1", "f1", who="K. Fell")
    assert {w.holder for w in queue(archive)} == {None}


def test_after_each_verdict_the_next_is_the_worst_that_nobody_else_has(archive):
    take(archive, "s2", "g1", who="K. Fell")
    waiting = queue(archive)
    done = waiting[0].finding.finding
    assert next_after(waiting, done, "R. Moss").finding.lead.flag == "g2"
    assert next_after(waiting, done, "K. Fell").finding.lead.flag == "g1"
    assert next_after((), done) is None


def test_a_session_opens_at_its_worst_open_finding(archive):
    assert worst_of(archive, "s1").lead.flag == "f1"
    judge(archive, "s1", "f1", "watch", reviewer="R. Moss")
    assert worst_of(archive, "s1").lead.flag == "f4"
    assert worst_of(archive, "nothing") is None


def test_earlier_like_findings_are_of_the_same_kind_and_unit(archive):
    (drag,) = [f for f in findings(archive, "s1") if f.lead.flag == "f4"]
    assert [f.lead.flag for f in alike(archive, drag)] == ["g2"]


def test_a_long_queue_is_quick(archive):
    """2,000 sessions with five findings each; the bound is some ten times what was measured."""
    rows = [
        flag_row(f"q{s}-{k}", "J1", "look", score=float(k), start=float(10 * k))
        | {"session": f"q{s}"}
        for s in range(2000)
        for k in range(5)
    ]
    schema = {"baseline": pl.String, "group": pl.String}
    frame = pl.DataFrame(rows, schema_overrides=schema)
    archive.replace("flags", frame, session=frame["session"].unique().to_list())
    queue(archive)
    judge(archive, "q7", "q7-4", "watch", reviewer="R. Moss", at=T0 + timedelta(days=9))
    start = time.perf_counter()
    assert len(queue(archive)) == 10_005
    assert time.perf_counter() - start < 3.0


def test_what_concerns_every_joint_of_another_arm_is_not_alike(tmp_path):
    """Both arms have a J1; without serial numbers they share no joint unit all the same."""
    archive = open_archive(tmp_path / "archive", create=True)
    for day, (name, arm) in enumerate((("s1", "Heron"), ("s2", "Heron"), ("s3", "Teal"))):
        add_session(archive, name, arm, day, serials=False)
        keep_flags(archive, flag_row(f"g{name}", "J1", kind="gap", unit=""), session=name)
    (first,) = (f for f in findings(archive) if f.session == "s1")
    assert first.units == ()
    assert [f.session for f in alike(archive, first)] == ["s2"]
