"""The queue: what is open, worst first, across sessions and arms, and who has it.

A finding may be taken by one person, so that two do not do the same work;
taking it locks nothing. Sessions that are signed are not in the queue.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from replay.archive import Archive
from replay.errors import UsageError
from replay.record import (
    Draft,
    Entry,
    Record,
    clean_name,
    closed_sessions,
    open_record,
    same_person,
)
from replay.reviews.finding_search import find
from replay.reviews.findings import Finding, findings, worst_first
from replay.reviews.judgements.judging import state_by, state_of
from replay.reviews.judgements.verdicts import last_word
from replay.reviews.signing_off.sign_offs import refuse_if_signed

KIND = "assignment"


@dataclass(frozen=True, slots=True)
class Waiting:
    """One finding of the queue.

    ``state`` is open or judged (a verdict without its reasons). ``holder`` has
    taken it, since ``since``. ``seen`` is the number of the last entry on it.
    """

    finding: Finding
    arm: str
    state: str
    verdict: str | None
    holder: str | None
    since: datetime | None
    seen: int


def queue(
    archive: Archive,
    *,
    arm: str | None = None,
    session: str | None = None,
    holder: str | None = None,
    judged: bool = True,
) -> tuple[Waiting, ...]:
    """Return what waits, worst first.

    Parameters
    ----------
    archive : Archive
    arm, session : str, optional
        Only of this arm, or session.
    holder : str, optional
        Only what this person has; ``""`` for what nobody has.
    judged : bool
        Whether findings with a verdict and no disposition yet are listed too.
    """
    with open_record(archive).as_of_now() as record:
        made = _waiting(archive, record, arm, session, holder, judged)
    return tuple(sorted(made, key=lambda w: (w.state == "judged", *worst_first(w.finding))))


def _waiting(
    archive: Archive,
    record: Record,
    arm: str | None,
    session: str | None,
    holder: str | None,
    judged: bool,
) -> list[Waiting]:
    signed = closed_sessions(record)
    arms = dict(archive.sessions().select("session", "arm").iter_rows())
    taken = record.in_force(KIND)
    made = []
    for one in findings(archive, session):
        if one.session in signed or (arm is not None and arms.get(one.session) != arm):
            continue
        last, seen = last_word(archive, one)
        state = state_by(last)
        if state == "disposed" or (state == "judged" and not judged):
            continue
        who, since = _holder(taken.get(one.finding))
        if holder is not None and not (
            who is None if holder == "" else who is not None and same_person(who, holder)
        ):
            continue
        verdict = (last.after or {}).get("verdict") if last is not None else None
        made.append(Waiting(one, arms.get(one.session) or "", state, verdict, who, since, seen))
    return made


def next_after(waiting: tuple[Waiting, ...], done: str, who: str = "") -> Waiting | None:
    """Return what to look at once a finding is done: the worst that nobody else has."""
    free = [
        w
        for w in waiting
        if w.finding.finding != done and (w.holder is None or (who and same_person(w.holder, who)))
    ]
    return free[0] if free else None


def worst_of(archive: Archive, session: str) -> Finding | None:
    """Return the finding a session opens at: its worst open one, else its worst."""
    there = findings(archive, session)
    return next((f for f in there if state_of(archive, f) == "open"), there[0] if there else None)


def take(archive: Archive, session: str, name: str, *, who: str, over: bool = False) -> None:
    """Take a finding, so that others see who has it.

    Raises
    ------
    UsageError
        Somebody else has it (unless ``over``), or the session is signed.
    """
    who = clean_name(who, "taking a finding needs a name")
    one = find(archive, session, name)
    _assign(archive, one, who, who, over=over)


def give_back(archive: Archive, session: str, name: str, *, who: str) -> None:
    """Give a finding back to whoever comes next; anybody may, with their name on it."""
    who = clean_name(who, "giving a finding back needs a name")
    _assign(archive, find(archive, session, name), None, who, over=True)


def alike(archive: Archive, finding: Finding) -> tuple[Finding, ...]:
    """Return findings of the same kind on the same joint units, in other sessions, newest first."""
    units = _units_of(archive, finding)
    found = [
        f
        for f in findings(archive)
        if f.session != finding.session
        and f.kind == finding.kind
        and (units & _units_of(archive, f) if units else not f.joints)
    ]
    return tuple(sorted(found, key=lambda f: f.start, reverse=True))


def _units_of(archive: Archive, finding: Finding) -> set[str]:
    """Return a finding's joint units; its joints' where what it found concerns every joint."""
    if finding.units or not finding.joints:
        return set(finding.units)
    record = archive.session(finding.session)
    return {record.unit(joint) for joint in finding.joints}


def _assign(archive: Archive, one: Finding, holder: str | None, who: str, *, over: bool) -> None:
    def guard(record: Record) -> None:
        refuse_if_signed(archive, one.session, "judge")
        has, _ = _holder(record.last(KIND, one.finding))
        if holder is not None and has is not None and not same_person(has, holder) and not over:
            raise UsageError(f"{has} has this finding", todo="ask them, or take it over openly")

    record = open_record(archive)
    last = record.last(KIND, one.finding)
    record.append(
        [
            Draft(
                kind=KIND,
                subject=one.finding,
                session=one.session,
                what="taken" if holder else "given back",
                who=who,
                before=last.after if last is not None else None,
                after={"holder": holder, "flags": sorted(one.names)},
            )
        ],
        guard=guard,
    )


def _holder(entry: Entry | None) -> tuple[str | None, datetime | None]:
    who = (entry.after or {}).get("holder") if entry is not None else None
    return (str(who), entry.at) if who and entry is not None else (None, None)


__all__ = [
    "Waiting", "alike", "give_back", "next_after", "queue", "take", "worst_of",
]  # fmt: skip
