"""What a command was asked for and does not know: refused, with the nearest names.

A mistyped joint would otherwise select nothing and read as a healthy arm.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence

from replay.archive import Archive
from replay.errors import UsageError

MOST_NAMED = 8
"""So many names are told where none of them is near."""


def nearest(name: str, known: Iterable[str], most: int = 3) -> list[str]:
    """Return the known names nearest to one, best first, whatever their case.

    >>> nearest("j33", ["J1", "J3", "wrist"])
    ['J3']
    """
    by_fold: dict[str, str] = {}
    for k in known:
        by_fold.setdefault(k.casefold(), k)
    found = difflib.get_close_matches(name.casefold(), list(by_fold), n=most, cutoff=0.5)
    inside = [f for f in by_fold if name and name.casefold() in f and f not in found]
    return [by_fold[f] for f in [*found, *inside]][:most]


def refuse_unknown(what: str, name: str | None, known: Iterable[str]) -> None:
    """Raise a UsageError for a name that is not known, with the nearest that are."""
    names = list(dict.fromkeys(known))
    if name is None or name in names:
        return
    near = nearest(name, names)
    if near:
        todo = f"nearest: {', '.join(near)}"
    elif names:
        more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
        todo = f"there are {', '.join(names[:MOST_NAMED])}{more}"
    else:
        todo = f"there is no {what} yet"
    raise UsageError(f"no {what} {name!r}", todo=todo)


def known_sessions(archive: Archive, names: Sequence[str]) -> None:
    """Refuse the first of these sessions that the archive does not have, with the nearest.

    Raises
    ------
    ArchiveError
        There is no such session.
    """
    for name in names:
        archive.session(name)


def known_arm(archive: Archive, name: str | None) -> None:
    """Refuse an arm of which the archive has no session, with the nearest."""
    if name is not None:
        refuse_unknown("arm", name, archive.sessions()["arm"].drop_nulls().unique().sort())


def joints_of(archive: Archive, sessions: Sequence[str] = ()) -> list[str]:
    """Return the joints that the archive's sessions name, in the arm's order."""
    rows = archive.sessions()["session"].to_list() if not sessions else list(sessions)
    found: dict[str, None] = {}
    for name in rows:
        found.update(dict.fromkeys(archive.session(name).joints))
    return list(found)
