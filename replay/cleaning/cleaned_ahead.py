"""Logs cleaned by other processes, ahead of their turn to be stored.

Whoever takes logs in stores them one after another, since what is stored has a say in what
may come; but reading and cleaning need no look at it. So each session's logs are cleaned
into the archive's staging by whoever has time. What is not plainly one session (several runs
in a file, a clock that begins anew, a refusal) is left to be read in its turn, where all of
it is told.
"""

from __future__ import annotations

import shutil
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

from replay.arm import Arm
from replay.cleaning.clean_logs import (
    CleanLogs,
    below,
    clean_logs,
    fits_of,
    logs_sha256,
    opened_logs,
    placed,
    refuse_odd_names,
    state_of,
)
from replay.cleaning.keeper import Keeper
from replay.cleaning.same_log import is_seen, known_session
from replay.cleaning.session_grouping import Group
from replay.logs.maps import LogMap
from replay.workers import Each, WorkersError, in_turn

_Given = tuple[Path, list[Path], bool]
"""A folder of staging, a session's logs, and whether logs of these names came before."""


def cleaned_ahead(
    archive: Keeper,
    groups: Iterator[Group],
    maps: Sequence[LogMap],
    arm: Arm | None,
    each: Each,
) -> Iterator[tuple[Group, CleanLogs | None]]:
    """Yield groups of logs in their order, each with the session that others made of it.

    None where they made none; then the group is to be read in its turn. So is all that is
    left when those who work have gone.
    """
    if each is in_turn:
        yield from ((group, None) for group in groups)
        return
    given: deque[tuple[Group, Path]] = deque()

    def handed(base: Path) -> Iterator[_Given]:
        for n, group in enumerate(groups):
            given.append((group, below(base, f"ahead{n}")))
            yield given[-1][1], group.paths, is_seen(archive, group.paths)

    with archive.staging() as base:
        try:
            for cleaned in each(partial(_clean, archive, list(maps), arm), handed(base)):
                group, folder = given.popleft()
                yield group, cleaned
                shutil.rmtree(folder, ignore_errors=True)
        except WorkersError:
            yield from ((group, None) for group, _ in given)
            yield from ((group, None) for group in groups)


def _clean(archive: Keeper, maps: list[LogMap], arm: Arm | None, given: _Given) -> CleanLogs | None:
    """Clean the logs of one session; None where they are not plainly one."""
    folder, paths, seen = given
    try:
        refuse_odd_names(paths)
        before = [state_of(path) for path in paths]
        with ThreadPoolExecutor(1) as pool:
            raws = opened_logs(paths, folder, maps, {})
            raws, fits = placed(raws, fits_of(raws, maps))
            log_map = fits[0].log_map
            if log_map.run is not None:
                return None
            if seen and known_session(archive, logs_sha256(paths), log_map, arm) is not None:
                return None
            return clean_logs(archive, pool, below(folder, "run0"), raws, fits, arm, before,
                              as_it_is=len(raws) > 1)  # fmt: skip
    except BaseException:  # whoever reads it in its turn meets it too, and tells it
        return None
