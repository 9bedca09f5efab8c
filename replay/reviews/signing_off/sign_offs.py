"""The sign-offs of a session, as the record tells of them.

A signature holds a copy of everything it was given on: the statement, the
findings with their flags, and which dispositions held. So a later check, of
whatever baseline, changes nothing that was signed.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Literal

from replay.archive import Archive
from replay.checks import lost_flags
from replay.record import Entry, open_record
from replay.record.closed import FIRST, REOPENED, SIGN_OFF, SIGNED
from replay.records import Flag
from replay.reviews.findings import Finding, findings_of
from replay.reviews.signing_off.statements import Statement, flag_text, restored
from replay.reviews.states import session_after

KIND = SIGN_OFF


@dataclass(frozen=True, slots=True)
class Signature:
    """One person's name under a statement."""

    by: str
    at: datetime
    remark: str
    seq: int


@dataclass(frozen=True, slots=True)
class SignOff:
    """A session's sign-off as it stands, or stood.

    ``state`` is signed, half-signed (a second reviewer is waited for) or
    reopened; ``findings`` are those that were signed, with their flags as they
    were, ``dispositions`` the numbers of the entries that held, by finding.
    """

    session: str
    state: Literal["signed", "half-signed", "reopened"]
    statement: Statement
    signatures: tuple[Signature, ...]
    findings: tuple[Finding, ...]
    dispositions: dict[str, int]
    reopened: Signature | None = None


def sign_off(archive: Archive, session: str) -> SignOff | None:
    """Return a session's last sign-off, reopened or not; None if it never was signed.

    Parameters
    ----------
    archive : Archive
    session : str
        Name of a session in the archive.

    Returns
    -------
    SignOff or None
        The last one.
    """
    found = sign_offs(archive, session)
    return found[-1] if found else None


def sign_offs(archive: Archive, session: str) -> tuple[SignOff, ...]:
    """Return every sign-off a session ever had, oldest first; a reopened one stays.

    Parameters
    ----------
    archive : Archive
    session : str
        Name of a session in the archive.

    Returns
    -------
    tuple of SignOff
        The oldest first.
    """
    return told(open_record(archive).entries(KIND, session=session))


def told(entries: list[Entry]) -> tuple[SignOff, ...]:
    """Return the sign-offs that a session's entries tell of; pure."""
    made: list[SignOff] = []
    waiting: list[Entry] = []
    for entry in entries:
        if entry.what in (SIGNED, FIRST):
            waiting = [*waiting, entry] if entry.what == SIGNED else [entry]
            whole = _sign_off(waiting, entry.what)
            if len(waiting) > 1:
                made[-1] = whole
            else:
                made.append(whole)
            if entry.what == SIGNED:
                waiting = []
        elif entry.what == REOPENED and made:
            made[-1] = replace(made[-1], state="reopened", reopened=_signature(entry))
            waiting = []
    return tuple(made)


def session_state(archive: Archive, session: str) -> str:
    """Return the state of a session: unchecked, open, half-signed or signed.

    Parameters
    ----------
    archive : Archive
    session : str
        Name of a session in the archive.

    Returns
    -------
    str
        One of the four words.
    """
    entries = open_record(archive).entries(KIND, session=session)
    if entries and entries[-1].what in (SIGNED, FIRST):
        return entries[-1].what
    checks = archive.table("checks")
    checked = checks.height and (checks["session"] == session).any()
    return "open" if checked and session not in lost_flags(archive) else "unchecked"


def signed_states(archive: Archive) -> dict[str, str]:
    """Return the sessions that hold a signature, each with its state: signed or half-signed."""
    last = {e.session: e.what for e in open_record(archive).entries(KIND)}
    return {session: what for session, what in last.items() if what in (SIGNED, FIRST)}


def refuse_if_signed(archive: Archive, session: str, act: str) -> None:
    """Raise UsageError when a session's state does not allow an act."""
    state = session_state(archive, session)
    session_after("open" if state == "unchecked" else state, act)


def _sign_off(entries: list[Entry], state: str) -> SignOff:
    last = entries[-1].after or {}
    flags = [_flag(row) for one in last["findings"] for row in one]
    return SignOff(
        session=entries[-1].session,
        state="signed" if state == SIGNED else "half-signed",
        statement=restored(last["statement"]),
        signatures=tuple(_signature(e) for e in entries),
        findings=findings_of(flags),
        dispositions=dict(last.get("dispositions", {})),
    )


def _signature(entry: Entry) -> Signature:
    return Signature(entry.who, entry.at, (entry.after or {}).get("remark", ""), entry.seq)


def finding_text(finding: Finding) -> list[dict[str, Any]]:
    """Return a finding as it is signed: its flags, each with every digit."""
    return [json.loads(flag_text(f)) for f in finding.flags]


def _flag(row: dict[str, Any]) -> Flag:
    return Flag(
        **row
        | {
            "start": datetime.fromisoformat(row["start"]),
            "end": datetime.fromisoformat(row["end"]),
        }
    )
