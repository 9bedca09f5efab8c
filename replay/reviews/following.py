"""Verdicts follow a session whose log went on growing: it has another name, and flags of its own.

A verdict names the flags that it was given on. Of those, each is found again in
the completed session: the same joint and kind, and the same span within a
second or a tenth of its length. A flag that grew with the log is none of them:
more of it was seen than was judged, so it is open again, and what was said of
its beginning is shown beside it. The record itself stays as it was written.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from replay.archive import Archive
from replay.record import Entry, open_record
from replay.records import Flag
from replay.reviews.findings import findings
from replay.reviews.names import names_of

KIND = "verdict"
_SAME_WITHIN = timedelta(seconds=1)
_SAME_SHARE = 0.1


def verdict_entries(archive: Archive, session: str | None = None) -> list[Entry]:
    """Return the verdicts given on a session under any of its names, in the record's order.

    Parameters
    ----------
    archive : Archive
    session : str, optional
        One session, by its present name; all by default.

    Returns
    -------
    list of Entry
        With the names that session and flags have now.
    """
    record = open_record(archive)
    if session is None:
        now = {old: new for new, names in archive.earlier().items() for old in names}
        return [
            _under(archive, e, now[e.session]) if e.session in now else e
            for e in record.entries(KIND)
        ]
    present, *earlier = names_of(archive, session)
    found = list(record.entries(KIND, session=present))
    if earlier:
        old = (e for name in earlier for e in record.entries(KIND, session=name))
        found += [_under(archive, e, present) for e in old]
        found.sort(key=lambda e: e.seq)
    return found


def _under(archive: Archive, entry: Entry, session: str) -> Entry:
    """Return an entry with the names that its session and flags have now."""
    after = dict(entry.after or {})
    flags = [f for one in findings(archive, session) for f in one.flags]
    after["flags"] = [_now(said, flags) for said in after.get("flags", ())]
    return replace(entry, session=session, after=after)


def _now(said: dict[str, Any], flags: Iterable[Flag]) -> dict[str, Any]:
    """Return what a verdict says of one flag, with the name of the one that it is now."""
    try:
        start, end = (datetime.fromisoformat(said[edge]) for edge in ("start", "end"))
    except (KeyError, TypeError, ValueError):  # moved from a table that did not keep them
        return said
    within = max(_SAME_WITHIN, _SAME_SHARE * (end - start))
    same = [
        f
        for f in flags
        if (f.joint, f.kind) == (said.get("joint"), said.get("kind"))
        and abs(f.start - start) <= within
        and abs(f.end - end) <= within
    ]
    nearest = min(same, key=lambda f: abs(f.start - start) + abs(f.end - end), default=None)
    return said if nearest is None else said | {"flag": nearest.flag}
