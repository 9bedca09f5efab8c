"""Cautions above findings: each sentence once, each session looked through once."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from replay.reviews.judgements import cautions


def finding(session: str, kind: str) -> SimpleNamespace:
    return SimpleNamespace(session=session, flags=[SimpleNamespace(kind=kind, evidence={})])


@pytest.fixture
def looked(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """An archive in which a person was on the tip of s1 at times; where that was looked for."""
    seen: list[str] = []

    def person(archive: object, session: str) -> str:
        seen.append(session)
        return "at times" if session == "s1" else "not known"

    monkeypatch.setattr(cautions, "person_on_tip", person)
    return seen


ARCHIVE = SimpleNamespace(has_session=lambda name: True, session=lambda name: name)
MANY = [finding("s1", "gap"), finding("s1", "brake-slip"), finding("s2", "gap")]


def test_a_session_is_looked_through_once_for_all_of_its_findings(looked: list[str]) -> None:
    said = cautions.cautions_of_all(ARCHIVE, MANY)
    assert looked == ["s1", "s2"]
    assert [s.split(":")[0].split(".")[0] for s in said] == [
        "A person was on the tip for a part of this session",
        "A brake that slips may not hold",
    ]
    looked.clear()
    signing = cautions.cautions_of_session(ARCHIVE, "s1", MANY[:2])
    assert looked == ["s1"]
    assert signing == said


def test_a_sign_off_says_that_a_person_is_not_known_of(looked: list[str]) -> None:
    assert cautions.cautions_of_all(ARCHIVE, MANY[2:]) == []
    (said,) = cautions.cautions_of_session(ARCHIVE, "s2", MANY[2:])
    assert said.startswith(cautions.PERSON_NOT_KNOWN)


@pytest.mark.parametrize("kind", ["brake-slip", "late-release", "brake-drag", "stall"])
def test_what_could_hurt_is_not_decided_on_without_that_nobody_knows_of_a_person(
    looked: list[str], kind: str
) -> None:
    grave = finding("s2", kind)
    for said in (
        cautions.cautions_of(ARCHIVE, grave),
        cautions.cautions_of_all(ARCHIVE, [MANY[2], grave]),
    ):
        (person,) = (words for words in said if words.startswith(cautions.PERSON_NOT_KNOWN))
        assert "the operator's own rules" in person
        assert "never clears" not in person  # that stands once, at the foot of the page
    assert cautions.cautions_of(ARCHIVE, MANY[2]) == []  # a gap hurts nobody
