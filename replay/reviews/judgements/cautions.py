"""What is said beside a finding before anybody judges it; the operator's own rules decide."""

from __future__ import annotations

from collections.abc import Iterable

from replay.archive import Archive
from replay.reviews.findings import Finding
from replay.signals.person import Presence, person_on_tip

OF_KIND = {
    "brake-slip": "A brake that slips may not hold: follow the operator's own rules, and "
    "nobody belongs within the arm's reach until whoever is responsible has decided.",
    "late-release": "A joint that drove against its own brake may have damaged it.",
}
"""By the kind of a flag."""

PERSON: dict[Presence, str] = {
    "throughout": "A person was on the tip in this session. ",
    "at times": "A person was on the tip for a part of this session. ",
}
_RULES = (
    "Whoever is responsible decides by the operator's own rules whether the arm may carry anyone; "
    "jointbook advises and never clears an arm."
)
PERSON_NOT_KNOWN = "It is not known for all of this session if a person was on the tip. "


def cautions_of_all(archive: Archive, found: Iterable[Finding]) -> list[str]:
    """Return what stands above the judging of several findings, each sentence once."""
    return list(dict.fromkeys(words for one in found for words in cautions_of(archive, one)))


def cautions_of_session(archive: Archive, session: str, found: Iterable[Finding]) -> list[str]:
    """Return what stands above a session's sign-off; a person on the tip also without findings."""
    person = person_words(archive, session, unknown=True)
    return list(dict.fromkeys([*cautions_of_all(archive, found), *person]))


def cautions_of(archive: Archive, finding: Finding) -> list[str]:
    """Return what stands above any judging of a finding: a brake in doubt, a person on the tip."""
    kinds = {f.kind for f in finding.flags}
    said = [words for kind, words in OF_KIND.items() if kind in kinds]
    return [*said, *person_words(archive, finding.session)]


def person_words(archive: Archive, session: str, *, unknown: bool = False) -> list[str]:
    """Return the caution of a person on the tip; with ``unknown`` also where nothing tells."""
    if not archive.has_session(session):
        return []
    presence = person_on_tip(archive, archive.session(session))
    said = PERSON.get(presence) or (PERSON_NOT_KNOWN if unknown and presence != "never" else None)
    return [said + _RULES] if said else []
