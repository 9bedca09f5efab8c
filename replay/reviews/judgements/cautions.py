"""What is said beside a finding before anybody judges it; the operator's own rules decide."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from replay.archive import Archive
from replay.reviews.findings import Finding
from replay.signals.person import Presence, person_on_tip
from replay.signatures.release_delay import pushes_hard

OF_KIND = {
    "brake-slip": "A brake that slips may not hold: follow the operator's own rules, and "
    "nobody belongs within the arm's reach until whoever is responsible has decided.",
    "late-release": "A joint that drove against its own brake may have damaged it.",
}
"""By the kind of a flag."""


def caution_of_flag(kind: str, evidence: Mapping[str, Any] | None) -> str:
    """Return what stands above a flag, nothing where its kind or its figures give no cause.

    A late release is cautioned of where the motor drew more than it does under an engaged brake,
    or where that was not measured.
    """
    if kind == "late-release" and not pushes_hard(evidence or {}):
        return ""
    return OF_KIND.get(kind, "")


PERSON: dict[Presence, str] = {
    "throughout": "A person was on the tip in this session. ",
    "at times": "A person was on the tip for a part of this session. ",
}
_RULES = (
    "Whoever is responsible decides by the operator's own rules whether the arm may carry anyone; "
    "jointbook does not."
)
PERSON_NOT_KNOWN = "It is not known for all of this session if a person was on the tip. "

COULD_HURT = frozenset({"brake-slip", "late-release", "brake-drag", "stall"})
"""Kinds that could hurt whoever is on the tip: where they are decided on, it is said too that
nobody knows whether somebody was. A brake that drags or lets go late, and a joint that was
blocked, can let go at once (from memory, no source)."""


def cautions_of_all(archive: Archive, found: Iterable[Finding]) -> list[str]:
    """Return what stands above the judging of several findings, each sentence once."""
    asked: dict[str, list[str]] = {}  # a session's samples are looked through once
    said: list[str] = []
    every = list(found)
    grave = {one.session for one in every if _could_hurt(one)}
    for one in every:
        if one.session not in asked:
            unknown = one.session in grave
            asked[one.session] = person_words(archive, one.session, unknown=unknown)
        said += [*_of_kinds(one), *asked[one.session]]
    return list(dict.fromkeys(said))


def cautions_of_session(archive: Archive, session: str, found: Iterable[Finding]) -> list[str]:
    """Return what stands above a session's sign-off; a person on the tip also without findings.

    ``found`` are findings of this session.
    """
    person = person_words(archive, session, unknown=True)
    known = [words for words in person if not words.startswith(PERSON_NOT_KNOWN)]
    said = [words for one in found for words in (*_of_kinds(one), *known)]
    return list(dict.fromkeys([*said, *person]))


def cautions_of(archive: Archive, finding: Finding) -> list[str]:
    """Return what stands above any judging of a finding: a brake in doubt, a person on the tip."""
    person = person_words(archive, finding.session, unknown=_could_hurt(finding))
    return [*_of_kinds(finding), *person]


def _could_hurt(finding: Finding) -> bool:
    return any(flag.kind in COULD_HURT for flag in finding.flags)


def _of_kinds(finding: Finding) -> list[str]:
    said = [caution_of_flag(f.kind, f.evidence) for f in finding.flags]
    return [words for words in OF_KIND.values() if words in said]


def person_words(archive: Archive, session: str, *, unknown: bool = False) -> list[str]:
    """Return the caution of a person on the tip; with ``unknown`` also where nothing tells."""
    if not archive.has_session(session):
        return []
    presence = person_on_tip(archive, archive.session(session))
    said = PERSON.get(presence) or (PERSON_NOT_KNOWN if unknown and presence != "never" else None)
    return [said + _RULES] if said else []
