"""Which units the sessions of an archive name."""

from __future__ import annotations

from replay.archive import Archive


def units_in_sessions(archive: Archive) -> set[str]:
    """Return the keys of all units that sat somewhere in a session.

    Sessions that were measured are told by the indicator table, which is read
    at once; the others by their records.
    """
    table = archive.table("indicators")
    known = set(table["serial"].unique()) if table.height else set()
    measured = set(table["session"].unique()) if table.height else set()
    for session in archive.sessions()["session"]:
        if session not in measured:
            record = archive.session(session)
            known |= {record.unit(joint) for joint in record.joints}
    return known - {"", None}
