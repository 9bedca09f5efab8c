"""A session's name may be cut short on the command line, as long as one session fits."""

from __future__ import annotations

import argparse

from replay.archive import Archive, open_archive
from replay.errors import ArchiveError, UsageError
from replay.wording import counted

_SHOWN = 5


def full_id(archive: Archive, given: str) -> str:
    """Return the one session that begins with what was given, or ends in it.

    A name that fits no session comes back as it is: the verb says what is the matter.

    Raises
    ------
    UsageError
        When several sessions fit.
    """
    known = [str(s) for s in archive.sessions()["session"]]
    if given in known or not given:
        return given
    fits = [s for s in known if s.startswith(given)] or [s for s in known if s.endswith(given)]
    if len(fits) > 1:
        shown = ", ".join(fits[:_SHOWN]) + (", ..." if len(fits) > _SHOWN else "")
        raise UsageError(
            f"{counted(len(fits), 'session')} are meant by {given!r}: {shown}",
            todo="give more of the name",
        )
    return fits[0] if fits else given


def complete(args: argparse.Namespace) -> None:
    """Put whole names in place of the beginnings that were given for sessions."""
    keys = ["session", "sessions"]
    if getattr(args, "act", "") == "make":  # of a bundle, whose subject may be a file to verify
        keys.append("subject")
    for key in keys:
        given = getattr(args, key, None)
        if not given or isinstance(given, int | float):
            continue
        try:
            archive = open_archive(args.archive)
        except ArchiveError:
            return  # the verb says so
        if isinstance(given, str):
            setattr(args, key, full_id(archive, given))
        elif isinstance(given, list):
            setattr(args, key, [full_id(archive, g) for g in given])
