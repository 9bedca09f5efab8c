"""Findings, dispositions, the queue and sign-off for the pages; all from `replay.reviews`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from replay.archive import Archive
from replay.errors import UsageError
from replay.record import Entry, open_record
from replay.reviews.finding_search import find
from replay.reviews.findings import Finding, findings
from replay.reviews.judgements import scales
from replay.reviews.judgements.cautions import (
    COULD_HURT,
    caution_of_flag,
    cautions_of,
    cautions_of_session,
    person_words,
)
from replay.reviews.judgements.dispositions import Disposition, Link, Reasons
from replay.reviews.judgements.judging import judge
from replay.reviews.judgements.verdicts import (
    OPEN,
    VERDICTS,
    covering,
    disposition_in_force,
    disposition_of,
    last_word,
)
from replay.reviews.pins.pin_tables import pins
from replay.reviews.queue import Waiting, alike, give_back, next_after, queue, take, worst_of
from replay.reviews.settings import ask_for_second_reviewer, second_reviewer_needed
from replay.reviews.signing_off.rechecking import comparisons
from replay.reviews.signing_off.sign_offs import SignOff, session_state, sign_offs
from replay.reviews.signing_off.signing import missing, reopen, sign
from replay.reviews.signing_off.statements import Statement, completeness_words, statement
from replay.signals.person import person_on_tip
from replay.wear import maintenance
from replay.wording import clock, kind_words

__all__ = [
    "COULD_HURT",
    "OPEN",
    "VERDICTS",
    "Disposition",
    "Finding",
    "Link",
    "Open",
    "Reasons",
    "SignOff",
    "Signing",
    "Statement",
    "Waiting",
    "alike",
    "ask_for_second_reviewer",
    "caution_of_flag",
    "cautions_of",
    "cautions_of_session",
    "completeness_words",
    "find",
    "findings",
    "give_back",
    "judge",
    "next_after",
    "on_tip",
    "opened",
    "person_words",
    "queue",
    "reopen",
    "scales",
    "sign",
    "signing",
    "take",
    "told",
    "waits",
    "worst_of",
]


def on_tip(archive: Archive, sessions: Iterable[str]) -> dict[str, str]:
    """Return, for each session with a person on the tip, when that was, in words."""
    words = {
        "throughout": "a person on the tip",
        "at times": "a person on the tip for a part of the session",
    }
    found = {s: person_on_tip(archive, archive.session(s)) for s in set(sessions)}
    return {s: words[presence] for s, presence in found.items() if presence in words}


@dataclass(frozen=True, slots=True)
class Open:
    """A finding as its page shows it, read at one state of the record.

    ``seen`` is the number of the last entry on it; ``beside`` are findings of
    the same session and kind that wait too; ``links`` are what a disposition
    can point to, each with its words.
    """

    finding: Finding
    held: Disposition | None
    history: tuple[Disposition, ...]
    seen: int
    holder: str | None
    session_state: str
    beside: tuple[Finding, ...]
    links: tuple[Link, ...]


@dataclass(frozen=True, slots=True)
class Signing:
    """A session's sign-off as its page shows it."""

    state: str
    two: bool
    statement: Statement | None
    held: tuple[tuple[Finding, Disposition | None], ...]
    lacking: tuple[Finding, ...]
    past: tuple[SignOff, ...]
    later: tuple[str, ...]


def opened(archive: Archive, session: str, name: str) -> Open:
    """Return a finding with everything around it; UsageError where there is none."""
    finding = find(archive, session, name)
    with open_record(archive).as_of_now() as record:
        held = disposition_in_force(archive, finding)
        _, seen = last_word(archive, finding)
        entries = covering(archive, session, finding.names)
        taken = record.last("assignment", finding.finding)
        beside = tuple(
            f
            for f in findings(archive, session)
            if f.kind == finding.kind
            and f.finding != finding.finding
            and disposition_in_force(archive, f) is None
        )
        return Open(
            finding,
            held,
            tuple(disposition_of(e, finding.finding) for e in entries),
            seen,
            (taken.after or {}).get("holder") if taken is not None else None,
            session_state(archive, session),
            beside,
            _links(archive, finding),
        )


def waits(archive: Archive) -> int:
    """Return how many findings wait in the whole archive."""
    return len(queue(archive))


def signing(archive: Archive, session: str) -> Signing:
    """Return what a session's sign-off rests on, lacks, and was."""
    with open_record(archive).as_of_now() as record:
        state = session_state(archive, session)
        held = tuple((f, disposition_in_force(archive, f)) for f in findings(archive, session))
        return Signing(
            state,
            second_reviewer_needed(record),
            None if state == "unchecked" else statement(archive, session),
            held,
            missing(archive, session),
            sign_offs(archive, session),
            comparisons(archive, session),
        )


def told(entries: Sequence[object], finding: str) -> list[Disposition]:
    """Return what others wrote, as a stale page is told of it."""
    return [disposition_of(e, finding) for e in entries if isinstance(e, Entry)]


def _links(archive: Archive, finding: Finding) -> tuple[Link, ...]:
    """Return what a disposition of this finding can point to, the nearest first."""
    made = [Link("instant", finding.start.isoformat(), f"its start, {clock(finding.start)} UTC")]
    near = pins(archive, finding.session, start=finding.start, end=finding.end)
    made += [
        Link("pin", r["pin"], f"pin by {r['author']}: {r['text'][:60]}")
        for r in near.iter_rows(named=True)
    ]
    made += [
        Link(
            "finding",
            f.finding,
            f"{f.place} {kind_words(f.kind)} on {f.start:%Y-%m-%d}, {_verdict(archive, f)}",
        )
        for f in alike(archive, finding)[:4]
    ]
    notes = maintenance(archive)
    for unit in finding.units:
        mine = notes.filter(notes["serial"] == unit).sort("date", descending=True).head(2)
        made += [
            Link("maintenance", r["note"], f"{unit} {r['what']} on {r['date']:%Y-%m-%d}")
            for r in mine.iter_rows(named=True)
        ]
    return tuple(made)


def _verdict(archive: Archive, finding: Finding) -> str:
    held = disposition_in_force(archive, finding)
    return held.verdict if held is not None else OPEN


def chosen(archive: Archive, session: str | None, flag: str | None) -> Finding | None:
    """Return the finding that an address names; None if it names none that there is."""
    if not session or not flag:
        return None
    try:
        return find(archive, session, flag)
    except UsageError:
        return None
