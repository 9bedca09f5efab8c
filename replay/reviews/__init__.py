"""From flags to a signed session: findings, dispositions, sign-off, all on the record."""

from __future__ import annotations

from replay.archive import Archive
from replay.record import Entry, open_record
from replay.reviews.findings import Finding, findings, findings_of
from replay.reviews.judgements.dispositions import Disposition, Link, Reasons
from replay.reviews.judgements.judging import give_verdict, judge
from replay.reviews.judgements.verdicts import (
    OPEN,
    VERDICTS,
    disposition_in_force,
    orphaned_verdicts,
    reviewed_flags,
    verdict_history,
    verdicts,
)
from replay.reviews.names import names_of
from replay.reviews.pins.pin_tables import pin_history, pins
from replay.reviews.pins.pinning import Pin, add_pin, withdraw_pin
from replay.reviews.signing_off.sign_offs import (
    Signature,
    SignOff,
    session_state,
    sign_off,
    sign_offs,
)
from replay.reviews.signing_off.signing import reopen, sign
from replay.reviews.signing_off.statements import Statement, completeness_words, statement

__all__ = [
    "OPEN",
    "VERDICTS",
    "Disposition",
    "Entry",
    "Finding",
    "Link",
    "Pin",
    "Reasons",
    "SignOff",
    "Signature",
    "Statement",
    "add_pin",
    "completeness_words",
    "dispositions",
    "findings",
    "findings_of",
    "give_verdict",
    "history",
    "judge",
    "orphaned_verdicts",
    "pin_history",
    "pins",
    "reopen",
    "reviewed_flags",
    "session_state",
    "sign",
    "sign_off",
    "sign_offs",
    "statement",
    "verdict_history",
    "verdicts",
    "withdraw_pin",
]


def dispositions(archive: Archive, session: str | None = None) -> dict[str, Disposition]:
    """Return what holds for the findings of a session, or of all, by finding.

    A finding that nobody decided on, or that was opened again, is not in it.

    Parameters
    ----------
    archive : Archive
    session : str, optional
        One session; all by default.

    Returns
    -------
    dict of str to Disposition
        By the finding's name.
    """
    with open_record(archive).as_of_now():
        found = ((f.finding, disposition_in_force(archive, f)) for f in findings(archive, session))
        return {name: held for name, held in found if held is not None}


def history(archive: Archive, session: str) -> tuple[Entry, ...]:
    """Return everything that was put on record about a session, in its order.

    Parameters
    ----------
    archive : Archive
    session : str
        Name of a session in the archive.

    Returns
    -------
    tuple of Entry
        The oldest first.
    """
    record = open_record(archive)
    found = (e for name in names_of(archive, session) for e in record.entries(session=name))
    return tuple(sorted(found, key=lambda e: e.seq))
