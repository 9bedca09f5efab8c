"""What a report must say before its figures, whoever reads only the first page."""

from __future__ import annotations

from collections.abc import Sequence

from replay.records import Session
from replay.reviews import Finding, SignOff

ADVICE = (
    "jointbook advises; it never clears an arm to move. The operator's own rules, local codes "
    "and licensed practice decide."
)

PERSON = (
    "A person was on the tip. Whether the arm may carry anyone is decided by the operator's "
    "rules and whoever is responsible, not by this report."
)

SLIP = (
    "A brake slipped, or may have. It may not hold: nobody belongs within the arm's reach until "
    "whoever is responsible has decided."
)

_BRAKES = {"brake-slip": SLIP}


def cautions(
    record: Session, findings: Sequence[Finding], signed: SignOff | None, open_findings: int
) -> list[str]:
    """Return what to be told first, the gravest on top; the general one last."""
    said = []
    if any(flag.kind in _BRAKES for f in findings for flag in f.flags):
        said.append(SLIP)
    if record.person_on_tip:
        said.append(PERSON)
    elif record.person_on_tip is None:
        said.append("Whether a person was on the tip is not known for the whole session.")
    if signed is None or signed.state != "signed":
        said.append(
            "Draft: this session is not signed off"
            + (f"; findings without a disposition: {open_findings}." if open_findings else ".")
        )
    return [*said, ADVICE]
