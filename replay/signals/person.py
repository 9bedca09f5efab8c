"""Whether a person was on the tip at any time of a session.

A session's record has one word for all of it, and none where that changed on
the way. Who is to be cautioned must be told of a person who was there for a
minute, so the channel is asked where the record has no word.
"""

from __future__ import annotations

from typing import Literal

import polars as pl

from replay.archive import Archive
from replay.errors import ArchiveError
from replay.records import Session

Presence = Literal["throughout", "at times", "never", "not known"]


def person_on_tip(archive: Archive, record: Session) -> Presence:
    """Return when a person was on the tip, by the record and else by the channel.

    Parameters
    ----------
    archive : Archive
    record : Session
        A session of the archive.

    Returns
    -------
    Presence
        "at times" also where it is not known for the rest; "not known" where
        nothing tells, or what tells cannot be read.
    """
    if record.person_on_tip is not None:
        return "throughout" if record.person_on_tip else "never"
    name = "person_on_tip"
    streams = [s for s, channels in record.channels.items() if name in channels]
    try:
        for stream in streams:
            seen = archive.samples(record.session, stream=stream, channels=[name])
            if seen.select(pl.col(name).any()).collect().item():
                return "at times"
    except ArchiveError:
        return "not known"
    return "not known"
