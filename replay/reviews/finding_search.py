"""Find a finding by its own name, or by that of one of its flags."""

from __future__ import annotations

from collections.abc import Sequence

from replay.archive import Archive
from replay.errors import UsageError
from replay.reviews.findings import Finding, findings


def find(archive: Archive, session: str, name: str) -> Finding:
    """Return a finding by its own name or by that of one of its flags.

    Raises
    ------
    UsageError
        The session has no such finding.
    """
    for finding in findings(archive, session):
        if name == finding.finding or name in finding.names:
            return finding
    raise UsageError(
        f"session {session!r} has no finding and no flag {name!r}",
        todo="`jointbook queue` lists what is open; a new check may have replaced it",
    )


def find_all(archive: Archive, names: Sequence[str]) -> tuple[str, list[Finding]]:
    """Return findings by their names, or their flags', and the one session that they are of.

    The first name may be the session; the findings' own names are enough.

    Raises
    ------
    UsageError
        No such finding, none named, or findings of several sessions.
    """
    session = names[0] if archive.has_session(names[0]) else None
    wanted = names[1:] if session else names
    if not wanted:
        raise UsageError("which finding?", todo=f"`jointbook queue {session}` lists them")
    if session is None:
        session = session_of(archive, wanted[0])
    return session, [find(archive, session, name) for name in wanted]


def session_of(archive: Archive, name: str) -> str:
    """Return the session of a finding, by its own name or by that of one of its flags.

    Raises
    ------
    UsageError
        No session has such a finding.
    """
    for finding in findings(archive):
        if name == finding.finding or name in finding.names:
            return finding.session
    raise UsageError(
        f"no session, finding or flag {name!r}",
        todo="`jointbook queue` lists what is open; a new check may have replaced it",
    )
