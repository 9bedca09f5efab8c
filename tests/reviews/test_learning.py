"""Verdicts teach: known events, what is left out, false flags seen; nothing by itself."""

from __future__ import annotations

import pytest

from replay.record import open_record
from replay.reviews import judge
from replay.reviews.judgements.learning import (
    confirmed,
    judged_sessions,
    known_events,
    note_learning,
    observed_false_flags,
    taught_in_doubt,
)
from tests.reviews.makers import add_session, flag_row, keep_flags, make_archive


@pytest.fixture
def archive(tmp_path):
    made = make_archive(tmp_path / "archive")
    add_session(made, "s2", day=1)
    keep_flags(made, flag_row("g1", "J2", "look"), session="s2", joint_hours=100.0)
    return made


def test_an_upheld_finding_is_one_known_event_even_when_no_longer_flagged(archive):
    judge(archive, "s1", "f1", "repair", reviewer="R. Moss", note="the rail")
    judge(archive, "s1", "f4", "false-flag", reviewer="R. Moss", note="nothing there")
    (event,) = known_events(archive)
    assert (event.session, event.joint, event.also, event.kind) == (
        "s1",
        "J1",
        ("J2", "J3"),
        "stall",
    )
    keep_flags(archive, flag_row("f4", "J4", start=30.0))
    assert len(known_events(archive)) == 1
    judge(archive, "s1", "f4", "watch", reviewer="K. Fell")  # another verdict after the false one
    assert {e.joint for e in known_events(archive)} == {"J1", "J4"}


def test_a_session_with_something_open_is_not_called_known(archive):
    assert judged_sessions(archive) == []
    judge(archive, "s2", "g1", "false-flag", reviewer="R. Moss", note="the log's gap")
    assert judged_sessions(archive) == ["s2"]


def test_confirmed_units_are_left_out_and_that_goes_on_record(archive):
    judge(archive, "s1", "f1", "repair", reviewer="R. Moss", note="the rail")
    judge(archive, "s2", "g1", "false-flag", reviewer="R. Moss", note="nothing there")
    left = confirmed(archive)
    assert {(o.session, o.unit) for o in left} == {("s1", f"TU-J{n}") for n in (1, 2, 3)}
    judge(archive, "s1", "f5", "explained", reviewer="R. Moss", note="a gap on every joint")
    assert {o.unit for o in confirmed(archive)} == {f"TU-J{n}" for n in (1, 2, 3, 4)}
    note_learning(archive, "B7", left, "R. Moss")
    assert len(open_record(archive).last("learned", "B7").after["left_out"]) == 3


def test_false_flags_by_verdict_stand_beside_the_rate_asked(archive):
    nothing = observed_false_flags(archive).row(0, named=True)
    assert (nothing["observed"], nothing["decided_findings"]) == (None, 0)  # all is open yet
    judge(archive, "s2", "g1", "false-flag", reviewer="R. Moss", note="nothing there")
    judge(archive, "s1", ["f1", "f4", "f5"], "watch", reviewer="R. Moss")
    judge(archive, "s1", "f5", "open", reviewer="R. Moss")
    row = observed_false_flags(archive).row(0, named=True)
    assert (row["asked"], row["observed"], row["false_findings"]) == (1.0, 1.0, 1)
    assert (row["sessions"], row["open_sessions"], row["joint_hours"]) == (1, 1, 100.0)
    assert row["decided_findings"] == 3
    assert row["low"] < 1.0 < row["high"]
    judge(archive, "s1", "f5", "explained", reviewer="R. Moss")
    whole = observed_false_flags(archive).row(0, named=True)
    assert (whole["sessions"], whole["false_findings"]) == (2, 1)


def test_a_session_taught_in_doubt_until_its_findings_are_cleared(archive):
    assert taught_in_doubt(archive, ["s1", "s2"]) == ["s1", "s2"]
    assert taught_in_doubt(archive, ["s2"]) == ["s2"]
    judge(archive, "s2", "g1", "false-flag", reviewer="R. Moss", note="nothing there")
    judge(archive, "s1", ["f1", "f4", "f5"], "watch", reviewer="R. Moss")
    assert taught_in_doubt(archive, ["s1", "s2"]) == ["s1"]  # decided, and not cleared
