"""From the queue to a signed session on the command line: what a newcomer is told on the way."""

from __future__ import annotations

import json

import pytest

from replay.cli.main import main
from replay.reviews import findings, session_state
from tests.reviews.makers import flag_row, keep_flags, make_archive


@pytest.fixture
def archive(tmp_path):
    return make_archive(tmp_path / "archive")


@pytest.fixture
def say(archive, capsys):
    def run(*words: str, code: int = 0) -> str:
        assert main([*words, "--archive", str(archive.root)]) == code
        told = capsys.readouterr()
        return told.out + told.err

    return run


def test_the_queue_says_how_to_go_on_and_what_to_beware_of(archive, say):
    keep_flags(archive, flag_row("f9", kind="brake-slip"), flag_row("f8", kind="brake-slip"))
    said = say("queue")
    assert said.count("CAUTION: A brake that slips may not hold") == 1
    assert "`jointbook verdict FINDING` shows one" in said
    assert "CAUTION: A brake that slips may not hold" in say("sign", "s1")
    shown = say("verdict", "f9")
    assert "CAUTION: A brake that slips may not hold" in shown
    assert f"jointbook verdict {findings(archive, 's1')[0].finding} --as NAME" in shown


def test_a_findings_own_name_is_enough(archive, say):
    name = findings(archive, "s1")[0].finding
    assert f"{name}  act" in say("verdict", name)
    assert f"{name}  act" in say("verdict", "s1", "f2")  # a session first does no harm
    say("verdict", name, "--word", "watch", "--as", "R. Moss")
    assert "has this finding" in say(
        "queue", "--take", "f4", "--as", "R. Moss"
    ) + say("queue", "--take", "f4", "--as", "K. Fell", code=2)  # fmt: skip
    assert "which finding?" in say("verdict", "s1", code=2)
    assert "no session, finding or flag 'Nothing'" in say("verdict", "Nothing", code=2)


def test_all_that_a_nonconformance_lacks_is_told_at_once(say):
    said = say(
        "verdict", "f1", "--word", "repair", "--as", "R. Moss", "--observed", "held back",
        "--class", "minor", code=2,
    )  # fmt: skip
    for words in ("a decision (one of", "severity and likelihood (of", "reason (in a sentence)"):
        assert words in said


def test_a_session_is_signed_by_what_the_commands_print(archive, say):
    names = [f.finding for f in findings(archive, "s1")]
    assert "3 of 3 findings have no disposition" in say("sign", "s1")
    said = say(
        "verdict", *names, "--word", "explained", "--as", "R. Moss", "--observed", "a contact",
        "--class", "none",
    )  # fmt: skip
    assert said.count("explained; observed: a contact") == 3
    line = next(w for w in say("sign", "s1").splitlines() if w.startswith("to sign this: "))
    words = line.removeprefix("to sign this: jointbook ").replace("NAME", "R.Moss").split()
    mark = words[-1]
    for typed in (mark[:-1], f"{mark}0", "B1", ""):
        told = say(*words[:-1], typed, code=2)
        assert f"{typed!r} is not the mark of the statement that s1 has now" in told
        assert "mistyped" in told
        assert f"--statement {mark}" in told
        assert session_state(archive, "s1") == "open"
    assert "signed by R.Moss" in say(*words)
    assert session_state(archive, "s1") == "signed"
    assert say("queue").strip() == "nothing waits"
    assert json.loads(say("record", "verify", "--json"))["damages"] == []
