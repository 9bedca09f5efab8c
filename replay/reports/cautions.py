"""What a report must say before its figures, whoever reads only the first page."""

from __future__ import annotations

from collections.abc import Sequence

from replay.reviews import Finding, SignOff
from replay.signals.person import Presence
from replay.wording import counted

ADVICE = (
    "jointbook advises; it never clears an arm to move. The operator's own rules, local codes "
    "and licensed practice decide."
)

_RULES = (
    "Whoever is responsible decides by the operator's own rules whether the arm may carry anyone; "
    "this report does not."
)
_PERSON: dict[Presence, str] = {
    "throughout": f"A person was on the tip. {_RULES}",
    "at times": f"A person was on the tip for a part of the session. {_RULES}",
    "not known": f"It is not known for all of the session if a person was on the tip. {_RULES}",
}

SLIP = (
    "A brake slipped, or may have. It may not hold: follow the operator's own rules, and nobody "
    "belongs within the arm's reach until whoever is responsible has decided."
)

_BRAKES = {"brake-slip": SLIP}


def cautions(
    person: Presence, findings: Sequence[Finding], signed: SignOff | None, open_findings: int
) -> list[str]:
    """Return what to be told first, the gravest on top; the general one last."""
    said = []
    if any(flag.kind in _BRAKES for f in findings for flag in f.flags):
        said.append(SLIP)
    if person in _PERSON:
        said.append(_PERSON[person])
    if signed is None or signed.state != "signed":
        said.append(
            "Draft: this session is not signed off"
            + (f"; findings without a disposition: {open_findings}." if open_findings else ".")
        )
    return [*said, ADVICE]


def cautions_of_many(
    persons: Sequence[Presence], findings: Sequence[Finding], unchecked: int, unsigned: int
) -> list[str]:
    """Return what a summary of sessions tells first; ``persons`` has one word a session."""
    sessions = counted(len(persons), "session")
    said = []
    if any(flag.kind in _BRAKES for f in findings for flag in f.flags):
        said.append(SLIP)
    carried = sum(p in ("throughout", "at times") for p in persons)
    unknown = persons.count("not known")
    if carried or unknown:
        of = f"of {sessions}"
        if not carried:
            told = f"In {unknown} {of} it is not known for all the time if a person was on the tip"
        else:
            told = f"A person was on the tip in {carried} {of}"
            told += f"; in {unknown} it is not known for all the time if one was" * bool(unknown)
        said.append(f"{told}. {_RULES}")
    if unchecked:
        said.append(
            f"Not checked: {unchecked} of {sessions}; nothing can be said of findings there."
        )
    if unsigned:
        said.append(f"Draft: not signed off: {unsigned} of {sessions}.")
    return [*said, ADVICE]
