"""Logs that meet a session which is stored already: refused, with the way out."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path

import polars as pl

from replay.arm import Arm
from replay.cleaning.keeper import Keeper
from replay.cleaning.notes import instant
from replay.cleaning.session_grouping import log_span
from replay.cleaning.sessions import arm_name
from replay.errors import LogRefused
from replay.logs.maps import LogMap
from replay.logs.proposing.fit import fit_some
from replay.logs.readers.arranged import arranged
from replay.logs.readers.raw import RawLog
from replay.logs.times.timeforms import SINCE_START
from replay.records import Session


def start_is_stated(log_map: LogMap) -> bool:
    """Tell whether the log has no date of its own, so that it cannot be placed."""
    return log_map.time.rows_at_hz is not None or log_map.time.format in SINCE_START


def begun_before(archive: Keeper, session: Session, paths: Sequence[Path]) -> str | None:
    """Return the stored session that was read from the beginning of this very log, if any."""
    frame = archive.sessions()
    if len(paths) != 1 or not frame.height:
        return None
    same = (pl.col("arm") == session.arm) & (pl.col("source") == session.source)
    for name in frame.filter(same)["session"]:
        if archive.raw_begins(archive.session(name), paths[0]):
            return str(name)
    return None


def check_overlap(
    archive: Keeper, session: Session, paths: Sequence[Path], completes: str | None = None
) -> None:
    """Refuse a session that a stored one of the same arm overlaps in time.

    ``completes`` is the stored session that this one takes the place of.
    """
    mine = {c for names in session.channels.values() for c in names}
    for other in _overlapping(archive, session.arm, session.start, session.end):
        if other.session == completes:
            continue
        both = mine & {c for names in other.channels.values() for c in names}
        if both:
            raise same_channels(other, paths, sorted(both)[0])
        raise _late(archive, other, paths)


def refuse_overlap(archive: Keeper, raw: RawLog, maps: Sequence[LogMap], arm: Arm | None) -> None:
    """Refuse a log that lacks channels because a stored session has them."""
    found = fit_some(raw, maps)
    if found is None or start_is_stated(found.log_map):
        return
    span = log_span(arranged(raw, found.log_map), found.log_map)
    if span is None:
        return
    mine = {b.channel for b in found.bindings}
    start, end = (instant(ns) for ns in span)
    for other in _overlapping(archive, arm_name(found.log_map, arm), start, end):
        if not mine & {c for names in other.channels.values() for c in names}:
            raise _late(archive, other, [raw.path])


def same_channels(other: Session, paths: Sequence[Path], name: str) -> LogRefused:
    """Return the refusal of logs whose channels a stored session of that time has too."""
    return LogRefused(
        f"overlaps in time with session {other.session}, read from {other.source}, "
        f"which has the same channels ({name}, ...)",
        file="; ".join(str(p) for p in paths),
        todo="one log of a session is enough; to read a stored one anew under another map or arm "
        "file: --replace; a second recorder's log is taken in with the map and arm file of that "
        "session; or it is another arm's: --arm",
    )


def shares_with(archive: Keeper, session: Session) -> Session | None:
    """Return the one stored session of the same arm, time and channels, if it is only one."""
    mine = {c for names in session.channels.values() for c in names}
    found = [
        other
        for other in _overlapping(archive, session.arm, session.start, session.end)
        if mine & {c for names in other.channels.values() for c in names}
    ]
    return found[0] if len(found) == 1 else None


def _overlapping(archive: Keeper, arm: str, start: datetime, end: datetime) -> Iterator[Session]:
    frame = archive.within(arm=arm, begins=(None, end), ends=(start, None))
    yield from (archive.session(name) for name in frame["session"])


def _late(archive: Keeper, other: Session, paths: Sequence[Path]) -> LogRefused:
    logs = [archive.raw_folder(other) or other.source, *paths]
    named = " ".join(shlex.quote(str(log)) for log in logs)
    return LogRefused(
        f"belongs to session {other.session}, read from {other.source}, and came after it; "
        "a stored session is not added to",
        file="; ".join(str(p) for p in paths),
        todo="take all its logs in at once, into another archive, with a map that names the "
        f"columns of all: jointbook ingest {named} --map MAP.toml --archive OTHER",
    )
