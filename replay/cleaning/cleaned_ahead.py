"""Logs cleaned by other processes, ahead of their turn to be stored.

Whoever takes logs in stores them one after another, since what is stored has a say in what
may come; but reading and cleaning need no look at it. So each session's logs are cleaned
into the archive's staging by whoever has time. What is not plainly one session (several runs
in a file, a clock that begins anew, a refusal) is left to be read in its turn, where all of
it is told.
"""

from __future__ import annotations

import shutil
import tempfile
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from replay.arm import Arm
from replay.cleaning.clean_logs import (
    CleanLogs,
    clean_logs,
    fits_of,
    opened_logs,
    placed,
)
from replay.cleaning.keeper import Keeper
from replay.cleaning.log_files import (
    State,
    are_as_before,
    below,
    logs_sha256,
    refuse_odd_names,
    state_of,
)
from replay.cleaning.same_log import is_seen, known_session
from replay.cleaning.session_grouping import Group, Peek, gather, look, put_together
from replay.logs.bind import is_whole
from replay.logs.maps import LogMap
from replay.logs.proposing.fit import fit_some
from replay.workers import Each, WorkersError, in_turn

_Given = tuple[Path, list[Path], bool, bool]
"""A folder of staging, a session's logs, whether logs of these names came before, and whether
they can be no part of another session."""


@dataclass(frozen=True, slots=True)
class KnownLogs:
    """Logs of which the archive had a session when they were looked at."""

    session: str
    paths: list[Path]
    states: list[State]
    """Of the logs, before they were opened."""

    def is_current(self) -> bool:
        """Tell whether the logs are still what was read."""
        return are_as_before(self.paths, self.states)


_Made = CleanLogs | KnownLogs | None
"""What others made of a session's logs; None where it is left to who reads them in their turn."""


def cleaned_ahead(
    archive: Keeper,
    files: Sequence[Path],
    maps: Sequence[LogMap],
    arm: Arm | None,
    each: Each,
    looking: Callable[[Path], None],
) -> Iterator[tuple[Group, _Made]]:
    """Yield groups of logs as `gather` does, each with the session that others made or found of it.

    None where they made none; then the group is to be read in its turn. So is all that is
    left when those who work have gone. Parts of sessions are looked at here, since only
    together they say which of them are one; then others clean them too.
    """
    if each is in_turn:
        yield from ((group, None) for group in gather(files, maps, looking))
        return
    single = len(files) < 2 or not maps
    parts: list[Peek] = []
    with archive.staging() as base:
        work = partial(_clean, archive, list(maps), arm)
        whole = ([path] for path in files)
        for place, (paths, cleaned) in enumerate(_made(archive, each, work, whole, base, single)):
            if cleaned is not None or single:
                yield Group(paths), cleaned
                continue
            looking(paths[0])
            found = look(paths[0], place, maps)
            if isinstance(found, Peek):
                parts.append(replace(found, opened=None))
            else:
                yield found, None
        sessions = (group.paths for group in put_together(parts))
        for paths, cleaned in _made(archive, each, work, sessions, base, True):
            yield Group(paths), cleaned


def _made(
    archive: Keeper,
    each: Each,
    work: Callable[[_Given], _Made],
    groups: Iterator[list[Path]],
    base: Path,
    single: bool,
) -> Iterator[tuple[list[Path], _Made]]:
    """Yield groups of paths in their order, with what others made of each."""
    given: deque[tuple[list[Path], Path]] = deque()

    def handed() -> Iterator[_Given]:
        for paths in groups:
            given.append((paths, Path(tempfile.mkdtemp(dir=base))))
            yield given[-1][1], paths, is_seen(archive, paths), single

    try:
        for cleaned in each(work, handed()):
            paths, folder = given.popleft()
            yield paths, cleaned
            shutil.rmtree(folder, ignore_errors=True)
    except WorkersError:
        yield from ((paths, None) for paths, _ in given)
        yield from ((paths, None) for paths in groups)


def _clean(archive: Keeper, maps: list[LogMap], arm: Arm | None, given: _Given) -> _Made:
    """Clean the logs of one session, unless it is known; None where they are not plainly one."""
    folder, paths, seen, single = given
    try:
        refuse_odd_names(paths)
        before = [state_of(path) for path in paths]
        with ThreadPoolExecutor(1) as pool:
            raws = opened_logs(paths, folder, maps, {})
            if not single:
                found = fit_some(raws[0], maps)
                if found is None or not is_whole(found.log_map, found.bindings):
                    return None
            raws, fits = placed(raws, fits_of(raws, maps))
            log_map = fits[0].log_map
            if log_map.run is not None:
                return None
            if seen:
                known = known_session(archive, logs_sha256(paths), log_map, arm)
                if known is not None:
                    return KnownLogs(known, list(paths), before)
            return clean_logs(archive, pool, below(folder, "run0"), raws, fits, arm, before,
                              as_it_is=len(raws) > 1)  # fmt: skip
    except BaseException:  # whoever reads it in its turn meets it too, and tells it
        return None
