"""The disposition of a finding: what was seen, why, how grave, and what follows.

A disposition is a verdict with its reasons, written once for the finding and
covering each of its flags. Whatever was in force before stays in the history.
Nothing is filled in by the tool: class, severity, likelihood and decision are
a person's.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields, replace
from datetime import datetime
from typing import Any, Literal, get_args

from replay.errors import UsageError
from replay.record import clean_text
from replay.record.entries import LONGEST_NAME
from replay.reviews.judgements import scales

LinkKind = Literal["instant", "pin", "maintenance", "finding", "paper"]


@dataclass(frozen=True, slots=True)
class Link:
    """What a disposition points to: an instant, a pin, a note, a like finding, a paper."""

    kind: LinkKind
    to: str
    words: str = ""


@dataclass(frozen=True, slots=True)
class Reasons:
    """What a person fills in. ``cause`` None: not known, which is said, not left out.

    ``severity`` and ``likelihood`` are of MIL-STD-882E (I to IV, A to E), both
    or neither. ``nonconformance`` is major, minor or none; a nonconformance has
    a ``decision``, and one that leaves a departure names its ``concession``.
    ``conditions`` have an ``owner`` and a means of ``verification``.
    """

    observed: str
    nonconformance: str
    cause: str | None = None
    severity: str | None = None
    likelihood: str | None = None
    decision: str | None = None
    reason: str = ""
    concession: str = ""
    conditions: str = ""
    owner: str = ""
    verification: str = ""
    links: tuple[Link, ...] = ()

    @property
    def risk(self) -> str | None:
        """The risk by Table III of MIL-STD-882E; None where it was not assessed."""
        if self.severity is None or self.likelihood is None:
            return None
        return scales.risk(self.severity, self.likelihood)


@dataclass(frozen=True, slots=True)
class Disposition:
    """A finding's disposition in force, or an earlier one.

    ``reasons`` is None for a bare verdict, which is not enough to sign.
    ``flags`` names what it covered; ``seq`` is its place in the record.
    """

    session: str
    finding: str
    flags: tuple[str, ...]
    verdict: str
    note: str
    reasons: Reasons | None
    by: str
    at: datetime
    seq: int

    @property
    def complete(self) -> bool:
        """Tell whether a session can be signed on it."""
        return self.reasons is not None and self.verdict != "open"


def checked(reasons: Reasons) -> Reasons:
    """Return the reasons with their texts cleaned.

    Raises
    ------
    UsageError
        A word that is on no scale, or a part that must not be missing.
    """
    _word("class", reasons.nonconformance, scales.CLASSES)
    for what, word, words in (
        ("severity", reasons.severity, scales.SEVERITIES),
        ("likelihood", reasons.likelihood, scales.LIKELIHOODS),
        ("decision", reasons.decision, scales.DECISIONS),
    ):
        if word is not None:
            _word(what, word, words)
    if (reasons.severity is None) != (reasons.likelihood is None):
        raise UsageError(
            "severity and likelihood belong together",
            todo=f"both, or neither, of {scales.RISK_SCALE}",
        )
    made = replace(
        reasons,
        observed=clean_text(reasons.observed, "what was observed"),
        cause=clean_text(reasons.cause or "", "the cause") or None,
        reason=clean_text(reasons.reason, "the reason"),
        concession=clean_text(reasons.concession, "the concession"),
        conditions=clean_text(reasons.conditions, "the conditions"),
        owner=clean_text(reasons.owner, "the owner", longest=LONGEST_NAME),
        verification=clean_text(reasons.verification, "the verification"),
    )
    if not made.observed:
        raise UsageError("a disposition says what was observed", todo="write it in a sentence")
    _consistent(made)
    for link in made.links:
        if link.kind not in get_args(LinkKind) or not link.to.strip():
            raise UsageError(
                f"no link {link.kind!r} to {link.to!r}",
                todo="one of " + ", ".join(get_args(LinkKind)),
            )
        clean_text(link.to + link.words, "a link")
    return made


def _consistent(made: Reasons) -> None:
    if made.nonconformance == "none":
        if made.decision is not None:
            raise UsageError(
                "what is not a nonconformance has no decision",
                todo="choose its class, or leave both",
            )
    else:
        lacking = {  # all that is missing at once: nobody likes to be sent back three times
            "a decision (one of " + ", ".join(scales.DECISIONS) + ")": made.decision is None,
            f"severity and likelihood (of {scales.RISK_SCALE}: I to IV, A to E)": made.severity
            is None,
            "the decision's reason (in a sentence)": not made.reason,
        }
        if any(lacking.values()):
            raise UsageError(
                f"a {made.nonconformance} nonconformance needs "
                + "; ".join(words for words, missing in lacking.items() if missing)
            )
    if made.decision in scales.LEAVES_A_DEPARTURE and not made.concession:
        raise UsageError(
            f"{made.decision!r} leaves a departure, so it needs a recorded concession",
            todo="name the concession or waiver, or say who will write it",
        )
    if made.conditions and not (made.owner and made.verification):
        raise UsageError(
            "conditions need an owner and a means of verification",
            todo="name both, or no conditions",
        )


def _word(what: str, word: str, words: dict[str, str]) -> None:
    if word not in words:
        raise UsageError(f"no {what} {word!r}", todo="one of " + ", ".join(words))


def stored(reasons: Reasons) -> dict[str, Any]:
    """Return reasons as they go on record, with the scales they are of."""
    return asdict(reasons) | {
        "risk": reasons.risk,
        "scales": [scales.RISK_SCALE, scales.CLASS_SCALE],
    }


def restored(content: dict[str, Any]) -> Reasons:
    """Return reasons from what is on record."""
    known = {f.name for f in fields(Reasons)}
    values = {k: v for k, v in content.items() if k in known}
    values["links"] = tuple(Link(**link) for link in values.get("links", ()))
    return Reasons(**values)
