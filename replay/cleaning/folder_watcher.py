"""Watch a folder and take in what appears, safely against half-copied files.

A file is taken when it is whole: no program of this machine that we can see
has it open for writing, and its size and time of change have stood still for a
while and for several times its own longest pause so far; a text whose last line
has no end, as a half copy mostly has, must stand still for longer. What comes
after all the same completes the session (`ingest`): the new one takes the place
of the old one in one step.
"""

from __future__ import annotations

import glob
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from replay.cleaning.ingest import IngestResult, Keeper, find_sources, ingest

OPEN_END = 12
"""So many times longer a text without an end of its last line must stand still."""
RHYTHM = 1.5
"""A file must stand still so many times longer than its longest pause so far."""
_PACKED = (".gz", ".zst", ".zstd", ".parquet", ".arrow", ".arrows", ".feather", ".ipc", ".xlsx")
"""Of these a half copy is refused as such, and tried again when it has changed."""


@dataclass(frozen=True, slots=True)
class _Seen:
    """A file as it stood at the last looks."""

    state: tuple[int, int]
    """Length and time of change."""
    since: float
    """When it was first seen so."""
    pause_s: float = 0.0
    """The longest it stood still and then changed all the same."""


def watch_folder(
    archive: Keeper,
    folder: str | Path,
    *,
    settle_s: float = 5.0,
    poll_s: float = 1.0,
    stop: Callable[[], bool] = lambda: False,
    clock: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], None] = time.sleep,
    **options: Any,
) -> Iterator[IngestResult]:
    """Yield a result each time files have settled and were taken in.

    Parameters
    ----------
    settle_s : float
        How long a file must stand still.
    poll_s : float
        How often the folder is looked at.
    stop : callable
        Asked after each look; true ends the watch.
    options
        ``log_map``, ``arm`` and so on, handed to `ingest`.
    """
    done: dict[Path, tuple[int, int]] = {}
    seen: dict[Path, _Seen] = {}
    while True:
        now = clock()
        settled = []
        for path in find_sources([folder]):
            try:
                found = path.stat()
            except FileNotFoundError:
                continue  # moved away between two looks
            state = (found.st_size, found.st_mtime_ns)
            if done.get(path) == state:
                continue
            before = seen.get(path)
            if before is None:
                seen[path] = _Seen(state, now)
            elif before.state != state:
                seen[path] = _Seen(state, now, max(before.pause_s, now - before.since))
            elif (
                state[0] > 0
                and now - before.since >= max(settle_s * _patience(path), RHYTHM * before.pause_s)
                and not _being_written(path)
            ):
                settled.append(path)
        if settled:
            for path in settled:
                done[path] = seen[path].state
            yield ingest(archive, settled, **options)
        if stop():
            return
        sleep(poll_s)


def _being_written(path: Path) -> bool:
    """Tell whether a program of this machine has the file open for writing.

    Of programs of other users the system says nothing (Linux), nor of any
    elsewhere; the rhythm of the file has to do there.
    """
    for entry in glob.iglob("/proc/[0-9]*/fd/*"):
        try:
            if not os.path.samefile(entry, path):
                continue
            with open(entry.replace("/fd/", "/fdinfo/")) as said:
                flags = next(line for line in said if line.startswith("flags:"))
            if int(flags.split()[1], 8) & (os.O_WRONLY | os.O_RDWR):
                return True
        except (OSError, ValueError, StopIteration):
            continue
    return False


def _patience(path: Path) -> int:
    """Return by how much longer than others a file must stand still."""
    if path.suffix.lower() in _PACKED:
        return 1
    try:
        with path.open("rb") as handle:
            handle.seek(-min(4, path.stat().st_size), 2)
            tail = handle.read().rstrip(b"\x00")
    except OSError:
        return 1  # gone or not readable: `ingest` says so
    return 1 if tail.endswith((b"\n", b"\r")) else OPEN_END
