"""What goes on within a confined process: its bounds, and a folder for all that it leaves.

Whoever is ended tidies nothing away. So temporary files, how far the work is, and what is
said on standard error lie in one folder, which is whoever's that asked.
"""

from __future__ import annotations

import contextlib
import json
import os
import resource
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from replay.workers.pool import begin

R = TypeVar("R")

_SAID_BYTES = 64 << 10
"""So much is read of what a process said last."""


class Told:
    """How far the work is, in a file that is put in place whole: a killed writer harms nobody."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __call__(self, what: str, done: int, total: int) -> None:
        """Tell it, instead of what was told before."""
        part = self._path.with_suffix(".part")
        part.write_text(json.dumps([what, done, total]))
        part.replace(self._path)

    def last(self) -> tuple[str, int, int] | None:
        """Return what was told last."""
        with contextlib.suppress(OSError, ValueError):
            what, done, total = json.loads(self._path.read_text())
            return str(what), int(done), int(total)
        return None


def within(folder: Path, work: Callable[..., R], given: tuple[Any, ...]) -> R:
    """Do the work; temporary files and what is said on standard error go to a folder."""
    scratch = folder / "scratch"
    scratch.mkdir()  # whoever asked and has gone took the folder along, and nothing is done
    kept, usual = os.dup(2), tempfile.tempdir
    with (folder / "said").open("wb") as handle:
        os.dup2(handle.fileno(), 2)
    tempfile.tempdir = str(scratch)
    try:
        return work(*given)
    finally:
        tempfile.tempdir = usual
        os.dup2(kept, 2)
        os.close(kept)


def said(folder: Path) -> bytes:
    """Return the end of what a process said on standard error."""
    with contextlib.suppress(OSError), (folder / "said").open("rb") as handle:
        handle.seek(max(0, handle.seek(0, os.SEEK_END) - _SAID_BYTES))
        return handle.read()
    return b""


def confine(memory_bytes: int) -> None:
    """Bound this process: its data, and no picture of its memory on the disk when it dies.

    Linux counts what a process may write to as its data, and neither files that it maps nor
    address space that its allocators set aside (setrlimit(2), RLIMIT_DATA); elsewhere the
    whole address space is bounded.
    """
    begin()
    kind = resource.RLIMIT_DATA if sys.platform == "linux" else resource.RLIMIT_AS
    for limit, most in ((kind, memory_bytes), (resource.RLIMIT_CORE, 0)):
        with contextlib.suppress(ValueError, OSError):  # a stricter one holds already
            resource.setrlimit(limit, (most, most))
