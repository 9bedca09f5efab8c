"""What is said beside a finding before anybody judges it; the operator's own rules decide."""

from __future__ import annotations

from collections.abc import Iterable

from replay.archive import Archive
from replay.reviews.findings import Finding

OF_KIND = {
    "brake-slip": "A brake that slips may not hold: nobody belongs within the arm's reach "
    "until whoever is responsible has decided.",
    "late-release": "A joint that drove against its own brake may have damaged it.",
}
"""By the kind of a flag."""

PERSON = (
    "A person was on the tip in this session. Whether the arm may carry anyone is decided "
    "by the operator's rules and whoever is responsible, not here."
)


def cautions_of_all(archive: Archive, found: Iterable[Finding]) -> list[str]:
    """Return what stands above the judging of several findings, each sentence once."""
    return list(dict.fromkeys(words for one in found for words in cautions_of(archive, one)))


def cautions_of(archive: Archive, finding: Finding) -> list[str]:
    """Return what stands above any judging of a finding: a brake in doubt, a person on the tip."""
    kinds = {f.kind for f in finding.flags}
    said = [words for kind, words in OF_KIND.items() if kind in kinds]
    known = archive.has_session(finding.session)
    if known and archive.session(finding.session).person_on_tip:
        said.append(PERSON)
    return said
