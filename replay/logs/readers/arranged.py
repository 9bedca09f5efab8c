"""A log as its map sees it: joints' rows unfolded, channel words joined, date and time together."""

from __future__ import annotations

from replay.logs.maps import LogMap
from replay.logs.readers.joint_rows import unfolded, with_channel_words
from replay.logs.readers.raw import RawLog
from replay.logs.readers.split_instants import with_date


def arranged(raw: RawLog, log_map: LogMap) -> RawLog:
    """Return a log whose columns are those that the map's lines name.

    Raises
    ------
    LogMapError
        When a column that the map names for it is not there.
    LogRefused
        When the column that should tell joints apart does not.
    """
    if log_map.layout == "long":
        return with_date(with_channel_words(raw, log_map), log_map)
    return with_date(unfolded(raw, log_map), log_map)
