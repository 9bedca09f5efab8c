"""One cause, one finding; a person judges it once, its flags stay visible under it."""

from __future__ import annotations

import polars as pl
import pytest

from replay.errors import StaleError, UsageError
from replay.record import open_record
from replay.reviews import dispositions, findings, findings_of, give_verdict, reviewed_flags
from replay.reviews.finding_search import find
from replay.reviews.findings import flags_of
from replay.reviews.judgements.dispositions import Link, Reasons
from replay.reviews.judgements.judging import judge, state_of
from replay.reviews.judgements.verdicts import disposition_in_force, last_word
from tests.reviews.makers import at, flag_row, keep_flags, make_archive

WHOLE = {
    "observed": "J1, J2 and J3 were held back for 2 s",
    "nonconformance": "minor",
    "cause": "the tip touched the rail",
    "severity": "III",
    "likelihood": "C",
    "decision": "rework",
    "reason": "the rail's guard is to be set back",
}


@pytest.fixture
def archive(tmp_path):
    return make_archive(tmp_path / "archive")


def contact(archive):
    return find(archive, "s1", "f2")


def test_flags_of_one_cause_are_one_finding_the_worst_first(archive):
    there = findings(archive, "s1")
    assert [tuple(f.flag for f in one.flags) for one in there] == [
        ("f1", "f2", "f3"), ("f4",), ("f5",),
    ]  # fmt: skip
    one, _, gap = there
    assert (one.severity, one.score, one.joints) == ("act", 9.0, ("J1", "J2", "J3"))
    assert (one.start, one.end) == (at(10), at(12.4))
    assert (gap.joints, gap.place) == ((), "every joint")


def test_the_flag_that_the_check_calls_the_lead_speaks_for_the_finding(archive):
    keep_flags(
        archive,
        flag_row("a", "J2", "note", score=9.0, group="G7", evidence='{"lead": false}'),
        flag_row("b", "J3", "look", score=5.0, group="G7", evidence='{"lead": true}', kind="load"),
        flag_row("c", "J1", "note", score=8.0, group="G7", evidence='{"lead": false}'),
    )
    (one,) = findings(archive, "s1")
    assert (one.lead.flag, one.kind, one.severity, one.score) == ("b", "load", "look", 9.0)
    assert [f.flag for f in one.flags] == ["b", "a", "c"]


def test_findings_of_the_same_flags_are_the_same_in_any_order(archive):
    frame = archive.table("flags")
    shuffled = frame.sample(fraction=1.0, shuffle=True, seed=4)
    assert findings_of(flags_of(frame)) == findings_of(flags_of(shuffled))


def test_one_verdict_covers_every_flag_of_the_finding(archive):
    give_verdict(archive, "s1", "f3", "watch", reviewer="R. Moss")
    beside = reviewed_flags(archive, "s1").select("flag", "verdict")
    assert dict(beside.iter_rows()) == {
        "f1": "watch", "f2": "watch", "f3": "watch", "f4": "open", "f5": "open",
    }  # fmt: skip


def test_a_flag_that_came_later_opens_the_finding_again(archive):
    judge(archive, "s1", "f1", "watch", reviewer="R. Moss")
    rows = [flag_row(f"f{n}", f"J{n}", group="G1", score=9.0 - n) for n in (1, 2, 3, 4)]
    keep_flags(archive, *rows)
    assert state_of(archive, contact(archive)) == "open"
    assert disposition_in_force(archive, contact(archive)) is None


def test_flags_judged_one_by_one_before_hold_where_they_agree(archive):
    archive.append(
        "reviews",
        pl.DataFrame(
            [
                {
                    "session": "s1", "flag": f"f{n}", "verdict": word, "note": "",
                    "reviewer": "K. Fell",
                    "at": at(n), "joint": f"J{n}", "kind": "stall", "start": at(10), "end": at(12),
                }
                for n, word in ((1, "watch"), (2, "watch"), (3, "watch"), (4, "explained"))
            ]
        ),
    )  # fmt: skip
    assert state_of(archive, contact(archive)) == "judged"
    give_verdict(archive, "s1", "f4", "watch", reviewer="R. Moss")
    assert state_of(archive, find(archive, "s1", "f4")) == "judged"
    assert open_record(archive).entries("verdict")[0].after["verdict"] == "watch"


def test_flags_judged_differently_before_leave_the_finding_open(archive):
    archive.append(
        "reviews",
        pl.DataFrame(
            [
                {
                    "session": "s1", "flag": f"f{n}", "verdict": word, "note": "",
                    "reviewer": "K. Fell",
                    "at": at(n), "joint": f"J{n}", "kind": "stall", "start": at(10), "end": at(12),
                }
                for n, word in ((1, "watch"), (2, "explained"), (3, "watch"))
            ]
        ),
    )  # fmt: skip
    assert state_of(archive, contact(archive)) == "open"
    assert last_word(archive, contact(archive))[1] > 0  # and a writer is still told of it


def test_several_alike_take_one_verdict_all_or_none(archive):
    judge(archive, "s1", ["f4", "f5"], "explained", reviewer="R. Moss", note="a test motion")
    assert {d.verdict for d in dispositions(archive, "s1").values()} == {"explained"}
    assert len(dispositions(archive, "s1")) == 2
    with pytest.raises(UsageError, match="no finding and no flag"):
        judge(archive, "s1", ["f1", "nope"], "watch", reviewer="R. Moss")
    assert len(dispositions(archive, "s1")) == 2


def test_a_disposition_says_everything_and_the_earlier_one_stays(archive):
    links = (Link("instant", at(10).isoformat()), Link("finding", "N0", "the same rail in May"))
    judge(archive, "s1", "f1", "watch", reviewer="K. Fell")
    made = judge(
        archive, "s1", "f1", "repair", reviewer="R. Moss", reasons=Reasons(**WHOLE, links=links)
    )[0]
    held = dispositions(archive, "s1")[made.finding]
    assert held == made
    assert held.complete
    assert (held.reasons.risk, held.reasons.links) == ("Medium", links)
    assert held.flags == ("f1", "f2", "f3")
    entry = open_record(archive).last("verdict", made.finding)
    assert entry.before["verdict"] == "watch"
    assert entry.after["reasons"]["scales"] == ["MIL-STD-882E Table III", "ECSS-Q-ST-10-09C"]


def test_the_tool_proposes_nothing(archive):
    made = Reasons(observed="seen", nonconformance="none")
    assert (made.severity, made.likelihood, made.decision, made.cause, made.risk) == (None,) * 5
    with pytest.raises(TypeError):
        Reasons(observed="seen")  # even the class has no default


@pytest.mark.parametrize(
    ("change", "needle"),
    [
        ({"observed": " "}, "what was observed"),
        ({"nonconformance": "huge"}, "no class 'huge'"),
        ({"severity": "V"}, "no severity 'V'"),
        ({"likelihood": "F"}, "no likelihood 'F'"),  # eliminated is a state, not a band
        ({"severity": None}, "belong together"),
        ({"severity": None, "likelihood": None}, "needs severity and likelihood"),
        ({"decision": None}, "needs a decision"),
        ({"decision": "return-to-service"}, "no decision"),
        ({"reason": ""}, "needs the decision's reason"),
        ({"decision": "use-as-is"}, "recorded concession"),
        ({"decision": "repair"}, "recorded concession"),
        ({"conditions": "below 2 deg/s", "owner": "K. Fell"}, "means of verification"),
        ({"nonconformance": "none"}, "has no decision"),
        ({"reason": "x" * 10_000_000}, "10000000 characters"),
        ({"links": (Link("url", "http://x"),)}, "no link 'url'"),
    ],
)
def test_a_disposition_with_a_part_missing_is_refused(archive, change, needle):
    with pytest.raises(UsageError, match=needle):
        judge(archive, "s1", "f1", "watch", reviewer="R. Moss", reasons=Reasons(**WHOLE | change))
    assert open_record(archive).entries("verdict") == []


def test_a_stale_page_is_told_what_came_and_replaces_nothing(archive):
    seen = last_word(archive, contact(archive))[1]
    judge(archive, "s1", "f1", "explained", reviewer="K. Fell", note="the rail", seen=seen)
    with pytest.raises(StaleError, match=r"K\. Fell put 'explained'") as told:
        judge(archive, "s1", "f1", "watch", reviewer="R. Moss", seen=seen)
    assert [e.after["note"] for e in told.value.theirs] == ["the rail"]
    assert disposition_in_force(archive, contact(archive)).by == "K. Fell"
    now = told.value.theirs[-1].seq
    judge(archive, "s1", "f1", "watch", reviewer="R. Moss", seen=now)
    assert disposition_in_force(archive, contact(archive)).by == "R. Moss"


def test_a_page_from_before_another_check_is_told_that_its_finding_is_gone(archive):
    seen = {find(archive, "s1", "f4").finding: 0}
    keep_flags(archive, flag_row("n1", "J2", start=20.0), baseline="B2")  # checked again meanwhile
    with pytest.raises(UsageError, match="f4") as told:
        judge(archive, "s1", "f4", "watch", reviewer="R. Moss", seen=seen)
    assert told.value.todo
    assert open_record(archive).entries("verdict") == []


def test_a_stale_word_on_one_of_several_writes_none_of_them(archive):
    judge(archive, "s1", "f4", "watch", reviewer="K. Fell")
    seen = {find(archive, "s1", n).finding: 0 for n in ("f4", "f5")}
    with pytest.raises(StaleError):
        judge(archive, "s1", ["f5", "f4"], "explained", reviewer="R. Moss", seen=seen)
    assert state_of(archive, find(archive, "s1", "f5")) == "open"
