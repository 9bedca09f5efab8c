"""Watch a folder and take in what appears, safely against half-copied files.

A file is taken once its size and time of change have stood still for a
while. A copy that pauses longer than that is told by `ingest` itself, which
refuses a file that changed while it was read; it is tried again when it has
changed.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from replay.cleaning.ingest import IngestResult, Keeper, find_sources, ingest


def watch(
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
            elif now - seen[path][1] >= settle_s and state[0] > 0:
                settled.append(path)
        if settled:
            for path in settled:
                done[path] = seen.pop(path)[0]
            yield ingest(archive, settled, **options)
        if stop():
            return
        sleep(poll_s)
