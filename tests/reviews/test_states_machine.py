"""Whatever people do in whatever order, the record says what was done and loses nothing."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from replay.archive import open_archive
from replay.errors import StaleError, UsageError
from replay.record import open_record
from replay.record.proof import prove
from replay.reviews import findings, reopen, session_state, sign, sign_off, sign_offs, statement
from replay.reviews.judgements.dispositions import Reasons
from replay.reviews.judgements.judging import judge, state_of
from replay.reviews.judgements.verdicts import last_word
from replay.reviews.settings import ask_for_second_reviewer
from replay.reviews.signing_off.statements import flags_digest
from replay.reviews.states import FINDING, FINDING_STATES, SESSION, SESSION_STATES
from tests.reviews.makers import flag_row, keep_flags, make_archive

PEOPLE = ("R. Moss", "K. Fell", "Zoë Müller")
WORDS = ("explained", "watch", "repair")
REASONS = Reasons(observed="a contact at the tip", nonconformance="none")


class Reviewing(RuleBasedStateMachine):
    """A model of one session's findings beside the real thing."""

    template: Path

    @initialize()
    def begin(self) -> None:
        self.home = Path(tempfile.mkdtemp())
        shutil.copytree(self.template, self.home / "archive")
        self.archive = open_archive(self.home / "archive")
        self.states = {f.finding: "open" for f in findings(self.archive, "s1")}
        self.session = "open"
        self.two = False
        self.first = ""
        self.signed = 0
        self.entries: list[str] = []
        self.drag = 0
        self.by: dict[str, str] = {}

    def teardown(self) -> None:
        if hasattr(self, "archive"):
            assert prove(self.archive).whole
            shutil.rmtree(self.home, ignore_errors=True)

    @rule(
        pick=st.integers(0, 9), several=st.booleans(), word=st.sampled_from(WORDS),
        who=st.sampled_from(PEOPLE), whole=st.booleans(), stale=st.booleans(),
    )  # fmt: skip
    def decide(self, pick, several, word, who, whole, stale) -> None:
        names = sorted(self.states)
        chosen = names if several else [names[pick % len(names)]]
        there = {f.finding: f for f in findings(self.archive, "s1")}
        last = {n: last_word(self.archive, there[n])[1] for n in chosen}
        seen = {n: max(0, v - 1) if stale else v for n, v in last.items()}
        words = {"reviewer": who, "note": "seen", "reasons": REASONS if whole else None}
        if self.session != "open":
            with pytest.raises(UsageError, match="reopen"):
                judge(self.archive, "s1", chosen, word, seen=seen, **words)
        elif stale and any(self.by.get(n, who) != who for n in chosen):
            with pytest.raises(StaleError) as told:
                judge(self.archive, "s1", chosen, word, seen=seen, **words)
            assert told.value.theirs
        else:
            judge(self.archive, "s1", chosen, word, seen=seen, **words)
            for n in chosen:
                self.states[n] = FINDING[self.states[n], "dispose" if whole else "judge"]
                self.by[n] = who

    @rule(pick=st.integers(0, 9), who=st.sampled_from(PEOPLE))
    def open_again(self, pick, who) -> None:
        name = sorted(self.states)[pick % len(self.states)]
        if self.session != "open":
            with pytest.raises(UsageError):
                judge(self.archive, "s1", name, "open", reviewer=who)
            return
        judge(self.archive, "s1", name, "open", reviewer=who)
        self.states[name] = FINDING[self.states[name], "open"]
        self.by[name] = who

    @rule(who=st.sampled_from(PEOPLE))
    def give_every_disposition(self, who) -> None:
        if self.session == "open":
            judge(self.archive, "s1", sorted(self.states), "watch", reviewer=who, reasons=REASONS)
            self.states = dict.fromkeys(self.states, "disposed")
            self.by = dict.fromkeys(self.states, who)

    @rule(who=st.sampled_from(PEOPLE), read=st.booleans())
    def sign_it(self, who, read) -> None:
        mark = statement(self.archive, "s1").mark if read else "00000000"
        act = (
            "sign-second" if self.session == "half-signed" else "sign-first" if self.two else "sign"
        )
        allowed = (self.session, act) in SESSION and read
        allowed = allowed and all(s == "disposed" for s in self.states.values())
        allowed = allowed and not (act == "sign-second" and who == self.first)
        if not allowed:
            with pytest.raises(UsageError):
                sign(self.archive, "s1", reviewer=who, mark=mark)
            return
        made = sign(self.archive, "s1", reviewer=who, mark=mark)
        self.session = SESSION[self.session, act]
        assert made.state == self.session
        assert {f.finding for f in made.findings} == set(self.states) == set(made.dispositions)
        self.first = who
        self.signed += act != "sign-second"

    @rule(who=st.sampled_from(PEOPLE))
    def reopen_it(self, who) -> None:
        if (self.session, "reopen") not in SESSION:
            with pytest.raises(UsageError):
                reopen(self.archive, "s1", reviewer=who, why="another look")
            return
        before = sign_off(self.archive, "s1")
        reopen(self.archive, "s1", reviewer=who, why="another look")
        self.session = "open"
        after = sign_off(self.archive, "s1")
        assert after.state == "reopened"
        assert (after.statement, after.signatures, after.findings) == (
            before.statement, before.signatures, before.findings,
        )  # fmt: skip

    @rule(needed=st.booleans(), who=st.sampled_from(PEOPLE))
    def set_second_reviewer(self, needed, who) -> None:
        ask_for_second_reviewer(self.archive, needed, who=who)
        self.two = needed

    @precondition(lambda self: self.session == "open")
    @rule()
    def a_check_adds_a_flag_to_the_contact(self) -> None:
        """What nobody has judged is open, however much of its finding was judged before."""
        self.drag += 1
        rows = [
            flag_row("f1", "J1", "act", group="G1", score=9.0, kind="stall"),
            flag_row("f2", "J2", "look", group="G1", score=7.0, kind="stall"),
            flag_row("f3", "J3", "note", group="G1", score=4.0, kind="stall"),
            *[flag_row(f"x{k}", "J4", "note", group="G1", score=1.0) for k in range(self.drag)],
            flag_row("f4", "J4", "look", score=6.0, start=30.0),
            flag_row("f5", "", "note", score=3.0, kind="gap", start=50.0),
        ]
        keep_flags(self.archive, *rows)
        contact = next(f for f in findings(self.archive, "s1") if "f1" in f.names)
        assert len(contact.flags) == 3 + self.drag
        self.states[contact.finding] = "open"

    @invariant()
    def the_states_are_those_of_the_model(self) -> None:
        if not hasattr(self, "archive"):
            return
        there = {f.finding: state_of(self.archive, f) for f in findings(self.archive, "s1")}
        assert there == self.states
        assert session_state(self.archive, "s1") == self.session
        assert len(sign_offs(self.archive, "s1")) == self.signed

    @invariant()
    def nothing_on_record_is_ever_changed(self) -> None:
        if not hasattr(self, "archive"):
            return
        now = [e.hash for e in open_record(self.archive).entries()]
        if self.entries and len(now) > 1:
            assert now[: len(self.entries)] == self.entries
        self.entries = now if open_record(self.archive).database.exists() else []


@pytest.fixture(scope="module", autouse=True)
def template(tmp_path_factory):
    root = tmp_path_factory.mktemp("machine") / "archive"
    make_archive(root)
    Reviewing.template = root


TestReviewing = Reviewing.TestCase
TestReviewing.settings = settings(
    max_examples=12,
    stateful_step_count=14,
    suppress_health_check=list(HealthCheck),
)


def test_only_declared_states_are_reached():
    assert set(FINDING.values()) | {"open"} == set(FINDING_STATES)
    assert set(SESSION.values()) | {"unchecked"} == set(SESSION_STATES)
    assert {s for s, _ in SESSION} <= set(SESSION_STATES)
    assert {s for s, _ in FINDING} <= set(FINDING_STATES)


def test_a_signed_copy_of_the_flags_is_the_flags(tmp_path):
    archive = make_archive(tmp_path / "archive")
    there = findings(archive, "s1")
    judge(archive, "s1", [f.finding for f in there], "watch", reviewer="R. Moss", reasons=REASONS)
    mark = statement(archive, "s1").mark
    made = sign(archive, "s1", reviewer="R. Moss", mark=mark)
    assert made.findings == there
    assert flags_digest(made.findings) == made.statement.flags_sha256
