"""Watch a folder and take in what appears, safely against half-copied files.

A file is taken once its size and time of change have stood still for a
while; a text whose last line has no end, as a half copy mostly has, must
stand still for longer. A copy that pauses longer than that is told by `ingest` itself, which
refuses a file that changed while it was read; it is tried again when it has
changed.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from replay.cleaning.ingest import IngestResult, Keeper, find_sources, ingest

OPEN_END = 12
"""So many times longer a text without an end of its last line must stand still."""
_PACKED = (".gz", ".zst", ".zstd", ".parquet", ".arrow", ".arrows", ".feather", ".ipc", ".xlsx")
"""Of these a half copy is refused as such, and tried again when it has changed."""


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
    seen: dict[Path, tuple[tuple[int, int], float]] = {}
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
            if path not in seen or seen[path][0] != state:
                seen[path] = (state, now)
            elif state[0] > 0 and now - seen[path][1] >= settle_s * _patience(path):
                settled.append(path)
        if settled:
            for path in settled:
                done[path] = seen.pop(path)[0]
            yield ingest(archive, settled, **options)
        if stop():
            return
        sleep(poll_s)


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
