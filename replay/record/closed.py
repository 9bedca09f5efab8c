"""Which sessions are signed: a check stores nothing in their place."""

from __future__ import annotations

from replay.record.record import Record

SIGN_OFF = "sign-off"
"""Kind of the entries by which a session is signed or reopened."""

SIGNED, FIRST, REOPENED = "signed", "half-signed", "reopened"
"""What is done: the last signature that is needed, the first of two, opening again."""


def closed_sessions(record: Record) -> frozenset[str]:
    """Return the sessions that are signed, or wait for a second signature.

    Parameters
    ----------
    record : Record
        An archive's record, see `replay.record.open_record`.
    """
    last = record.in_force(SIGN_OFF)
    return frozenset(s for s, entry in last.items() if entry.what in (SIGNED, FIRST))
