"""Which units the sessions of an archive name."""

from __future__ import annotations

from replay.archive import Archive, keys_of_roll


def units_measured(archive: Archive) -> dict[str, dict[str, None]]:
    """Return the keys of all units that were measured, each with the joints where it sat."""
    found: dict[str, dict[str, None]] = {}
    for told in archive.roll("indicators")["told"].unique():
        for keys in keys_of_roll("indicators", told):
            if keys["serial"]:
                found.setdefault(keys["serial"], {})[keys["joint"]] = None
    return found


def units_in_sessions(archive: Archive) -> set[str]:
    """Return the keys of all units that sat somewhere in a session.

    Sessions that were measured are told by the indicator table's roll, which is read
    at once; the others by their records.
    """
    known = set(units_measured(archive))
    for session in unmeasured_sessions(archive):
        record = archive.session(session)
        known |= {record.unit(joint) for joint in record.joints}
    return known - {""}


def unmeasured_sessions(archive: Archive) -> list[str]:
    """Return the sessions of which the indicator table has no row, oldest first."""
    sessions = archive.sessions().select("session")
    measured = archive.roll("indicators").select("session")
    return sessions.join(measured, on="session", how="anti", maintain_order="left")[
        "session"
    ].to_list()
