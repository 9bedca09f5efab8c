"""Logs as files: their names, their octets, and whether they are still what they were."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from replay.digests import file_digest, joined_digest
from replay.errors import LogRefused

State = tuple[int, int]
"""A file's length and time of change."""


def state_of(path: Path) -> State:
    """Return what changes when a file does: its length and time of change."""
    found = path.stat()
    return found.st_size, found.st_mtime_ns


def are_as_before(paths: Sequence[Path], states: Sequence[State]) -> bool:
    """Tell whether files are still there, in the states they had."""
    try:
        return [state_of(path) for path in paths] == list(states)
    except OSError:
        return False


def logs_sha256(paths: Sequence[Path]) -> str:
    """Return the SHA-256 of a session's logs, by which the archive knows them."""
    return joined_digest([file_digest(path) for path in paths])


def shown_path(path: str | Path) -> str:
    r"""Return a path as text that can be printed and stored, whatever its octets.

    Examples
    --------
    >>> shown_path("caf\udce9.csv")
    'caf\\xe9.csv'
    """
    return os.fsencode(path).decode("utf-8", "backslashreplace")


def refuse_odd_names(paths: Sequence[Path]) -> None:
    """Refuse names that no record can hold.

    Raises
    ------
    LogRefused
    """
    for path in paths:
        if shown_path(path) != str(path):
            raise LogRefused("the file's name is not UTF-8", todo="rename the file")


def below(folder: Path, name: str) -> Path:
    """Make a folder below another."""
    made = folder / name
    made.mkdir(exist_ok=True)
    return made
