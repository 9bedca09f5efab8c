"""The names a session had: a log that went on growing completes a session under a new one."""

from __future__ import annotations

from replay.archive import Archive


def names_of(archive: Archive, session: str) -> tuple[str, ...]:
    """Return a session's names, the present one first.

    What people put on record under an earlier name is theirs under the new one
    too; the entries stay as they are.
    """
    return (session, *archive.earlier_of(session))
