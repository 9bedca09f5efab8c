"""Sign-off: only on a whole review, by named people, and kept as it was signed."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from replay.archive import open_archive
from replay.checks.stored import CheckResult, store
from replay.errors import StaleError, UsageError
from replay.record import open_record
from replay.records import Session
from replay.reviews import (
    completeness_words,
    findings,
    history,
    judge,
    reopen,
    session_state,
    sign,
    sign_off,
)
from replay.reviews import statement as stated
from replay.reviews.findings import flags_of
from replay.reviews.judgements.cautions import cautions_of_session
from replay.reviews.judgements.dispositions import Reasons
from replay.reviews.settings import ask_for_second_reviewer
from replay.reviews.signing_off.rechecking import compared, comparisons
from replay.reviews.signing_off.signing import missing
from replay.reviews.signing_off.statements import plain, restored
from tests.reviews.makers import add_session, at, flag_row, keep_flags, make_archive

REASONS = Reasons(observed="held back for 2 s", nonconformance="none")


@pytest.fixture
def archive(tmp_path):
    return make_archive(tmp_path / "archive")


def dispose_all(archive, who="R. Moss"):
    names = [f.finding for f in findings(archive, "s1")]
    judge(archive, "s1", names, "explained", reviewer=who, reasons=REASONS)


def test_a_session_is_signed_only_when_every_finding_has_a_disposition(archive):
    judge(archive, "s1", "f1", "explained", reviewer="R. Moss", reasons=REASONS)
    judge(archive, "s1", "f4", "watch", reviewer="R. Moss")  # a verdict alone is not enough
    assert [f.kind for f in missing(archive, "s1")] == ["friction", "gap"]
    with pytest.raises(UsageError, match="2 of 3 findings have no disposition"):
        sign(archive, "s1", reviewer="R. Moss", mark=stated(archive, "s1").mark)
    dispose_all(archive)
    made = sign(archive, "s1", reviewer="R. Moss", mark=stated(archive, "s1").mark)
    assert (made.state, [s.by for s in made.signatures]) == ("signed", ["R. Moss"])
    assert session_state(archive, "s1") == "signed"


def test_what_is_signed_states_completeness_unjudged_time_and_baseline(archive):
    dispose_all(archive)
    sign(archive, "s1", reviewer="R. Moss", mark=stated(archive, "s1").mark)
    kept = sign_off(archive, "s1").statement
    assert (kept.baseline, kept.completeness, kept.findings) == ("B1", 0.99, 3)
    assert kept.logged_joint_h == pytest.approx(4 / 60, abs=1e-6)  # four joints, one minute
    assert kept.unjudged_joint_h == pytest.approx(4 / 60 - 0.05, abs=1e-6)


def test_a_gap_in_one_joint_is_stated_though_no_row_is_missing(tmp_path):
    """15 s without J2's current, all else logged: the rows are whole, the log is not."""
    archive = open_archive(tmp_path / "archive", create=True)
    times = pl.datetime_range(at(0), at(60), "100ms", time_unit="ns", time_zone="UTC", eager=True)
    lost = pl.int_range(times.len()).is_between(200, 349)
    frame = pl.DataFrame({"time": times}).with_columns(
        pl.lit(1.0).alias("J1.current_a"),
        pl.when(~lost).then(1.0).alias("J2.current_a"),
    )
    archive.add_session(
        Session(
            session="s1", source="heron.csv", arm="Heron", rows=frame.height, start=at(0),
            end=at(60), joints=("J1", "J2"), units={}, completeness=1.0,
            channels={"main": ("J1.current_a", "J2.current_a")},
        ),
        {"main": frame},
    )  # fmt: skip
    keep_flags(archive, flag_row("f1", "J2", kind="gap"))
    said = stated(archive, "s1")
    assert (said.completeness, said.least_joint) == (1.0, "J2")
    assert said.least_share == pytest.approx(451 / 601, abs=1e-6)
    assert completeness_words(said) == "100.00 % of the rows; least J2, 75.04 %"


@pytest.mark.parametrize(
    ("record", "channel", "begins"),
    [
        (True, None, "A person was on the tip in this session"),
        (False, None, None),
        (None, None, "It is not known for all of this session if a person was on the tip"),
        (None, (40, 45), "A person was on the tip for a part of this session"),
    ],
)
def test_a_person_on_the_tip_is_cautioned_about_also_without_findings(
    tmp_path, record, channel, begins
):
    archive = open_archive(tmp_path / "archive", create=True)
    add_session(archive)
    base = archive.session("s1")
    frame = archive.samples("s1").collect()
    if channel:
        frame = frame.with_columns(
            pl.col("time").is_between(at(channel[0]), at(channel[1])).alias("person_on_tip")
        )
    names = tuple(frame.columns[1:])
    told = replace(base, session="s2", person_on_tip=record, channels={"main": names})
    archive.add_session(told, {"main": frame})
    said = cautions_of_session(archive, "s2", ())
    assert [w.startswith(begins) for w in said] == ([True] if begins else [])
    assert all("the operator's own rules" in w and "jointbook does not" in w for w in said)
    assert all(" ".join(said).count(word) < 2 for word in ("Whether", "whether the arm"))


def test_a_statement_from_before_a_joint_was_named_reads_and_says_the_rows(archive):
    content = plain(stated(archive, "s1"))
    for name in ("least_joint", "least_share"):
        del content[name]
    assert completeness_words(restored(content)) == "99.00 %"


def test_a_session_without_findings_is_signed_on_its_statement(archive):
    add_session(archive, "s3", day=1)
    with pytest.raises(UsageError, match="not checked"):
        sign(archive, "s3", reviewer="R. Moss", mark="00000000")
    archive.replace("flags", archive.table("flags").clear(), session=["s1"])
    assert sign(
        archive, "s1", reviewer="R. Moss", mark=stated(archive, "s1").mark
    ).findings == ()  # fmt: skip


def test_a_statement_that_changed_since_it_was_read_is_not_signed(archive):
    dispose_all(archive)
    mark = stated(archive, "s1").mark
    rows = archive.table("flags").to_dicts()
    keep_flags(archive, *rows, baseline="B2", joint_hours=0.04)
    now = stated(archive, "s1").mark
    with pytest.raises(StaleError, match=f"which is {now}: .*checked again, last on 20") as told:
        sign(archive, "s1", reviewer="R. Moss", mark=mark)
    assert told.value.todo.endswith(f"--statement {now}")
    assert session_state(archive, "s1") == "open"


def test_a_second_person_is_required_where_the_operator_says_so(archive):
    ask_for_second_reviewer(archive, True, who="Q. Vance")
    dispose_all(archive)
    mark = stated(archive, "s1").mark
    assert sign(archive, "s1", reviewer="R. Moss", mark=mark).state == "half-signed"
    with pytest.raises(UsageError, match="must be somebody else"):
        sign(archive, "s1", reviewer=" r.  MOSS ", mark=mark)
    with pytest.raises(UsageError, match="reopen"):
        judge(archive, "s1", "f1", "watch", reviewer="K. Fell")
    done = sign(archive, "s1", reviewer="K. Fell", mark=mark, remark="read all three")
    assert [(s.by, s.remark) for s in done.signatures] == [
        ("R. Moss", ""), ("K. Fell", "read all three"),
    ]  # fmt: skip
    with pytest.raises(UsageError, match="it is signed already"):
        sign(archive, "s1", reviewer="Q. Vance", mark=mark)


def test_reopening_needs_a_reason_and_keeps_what_was_signed(archive):
    dispose_all(archive)
    before = sign(archive, "s1", reviewer="R. Moss", mark=stated(archive, "s1").mark)
    with pytest.raises(UsageError, match="reason"):
        reopen(archive, "s1", reviewer="K. Fell", why=" ")
    after = reopen(archive, "s1", reviewer="K. Fell", why="the rail was found bent")
    assert after.state == "reopened"
    assert (after.reopened.by, after.reopened.remark) == ("K. Fell", "the rail was found bent")
    assert after.findings == before.findings
    judge(archive, "s1", "f1", "watch", reviewer="K. Fell")
    assert [e.what for e in history(archive, "s1") if e.kind == "sign-off"] == [
        "signed", "reopened",
    ]  # fmt: skip


def test_a_later_check_of_a_signed_session_is_compared_and_changes_nothing(archive):
    dispose_all(archive)
    sign(archive, "s1", reviewer="R. Moss", mark=stated(archive, "s1").mark)
    signed = sign_off(archive, "s1")
    flags = flags_of(archive.table("flags"))
    other = [f for f in flags if f.flag not in ("f5",)]
    new = flag_row("f8", "J2", start=45.0, kind="brake-drag")
    keep_flags(archive, new, session="other")
    other += [f for f in flags_of(archive.table("flags")) if f.flag == "f8"]
    result = CheckResult("s1", "B2", tuple(other), 0.01, 0.06, 1.0, "")
    found = compared(archive, result)
    assert [f.kind for f in found.only_signed] == ["gap"]
    assert [f.kind for f in found.only_new] == ["brake-drag"]
    assert len(found.same) == 2
    assert sign_off(archive, "s1") == signed
    (words,) = comparisons(archive, "s1")
    assert "against B2 instead of B1" in words
    assert "J2 brake-drag" in words


def test_a_check_stores_nothing_in_place_of_what_was_signed(archive):
    dispose_all(archive)
    sign(archive, "s1", reviewer="R. Moss", mark=stated(archive, "s1").mark)
    before = archive.table("flags").rows(), archive.table("checks").rows()
    other = CheckResult("s1", "B2", (), 0.01, 0.06, 1.0, "")
    store(archive, [other])
    assert (archive.table("flags").rows(), archive.table("checks").rows()) == before
    reopen(archive, "s1", reviewer="K. Fell", why="another baseline")
    store(archive, [other])
    assert archive.table("checks")["baseline"].to_list() == ["B2"]
    assert sign_off(archive, "s1").statement.baseline == "B1"


def test_everything_is_one_history(archive):
    dispose_all(archive)
    ask_for_second_reviewer(archive, False, who="Q. Vance")
    sign(archive, "s1", reviewer="R. Moss", mark=stated(archive, "s1").mark)
    kinds = [e.kind for e in open_record(archive).entries()]
    assert kinds == ["record", "verdict", "verdict", "verdict", "setting", "sign-off"]
    assert {e.kind for e in history(archive, "s1")} == {"verdict", "sign-off"}


def test_false_flags_to_expect_name_the_rate_where_it_is_not_the_one_asked(archive):
    made = replace(stated(archive, "s1"), asked_rate=1.0, judged_joint_h=1.6)
    as_asked = replace(made, expected_false_flags=0.016)
    assert as_asked.expected_words == "0.016 to be expected here"
    more = replace(made, expected_false_flags=1.3)
    assert (
        more.expected_words == "1.3 to be expected here, for training showed 81 per 100 joint-hours"
    )
