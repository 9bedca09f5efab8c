"""The whole way in: files to sessions in the archive.

A file is taken whole or not at all, and one file's trouble never stops the
rest. What was read, with which map, arm file and version, is kept with the
session, so that it can be made again from the raw file.

Longer than 245 lines because taking a file whole or not at all is one sequence, and its
refusals are told in one place.
"""

from __future__ import annotations

import errno
import json
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

from replay.arm import Arm, load_arm
from replay.cleaning.clean_logs import (
    BEGAN_ANEW,
    CleanLogs,
    clean_logs,
    fits_of,
    opened_logs,
    placed,
)
from replay.cleaning.cleaned_ahead import KnownLogs, cleaned_ahead
from replay.cleaning.keeper import Keeper
from replay.cleaning.log_files import below, logs_sha256, refuse_odd_names, shown_path, state_of
from replay.cleaning.overlap import (
    begun_before,
    check_overlap,
    refuse_overlap,
    same_channels,
    shares_with,
    start_is_stated,
)
from replay.cleaning.restarts import runs_by_clock
from replay.cleaning.runs import refuse_runs, runs_of
from replay.cleaning.same_log import (
    is_seen,
    known_session,
    refuse_twice,
    stored_of_same_log,
    the_one_to_replace,
)
from replay.cleaning.session_grouping import Group, log_span
from replay.cleaning.stream.cleaner import TimesGoBack
from replay.digests import file_digest
from replay.errors import (
    ArchiveError,
    JointbookError,
    LogMapError,
    LogRefused,
    UsageError,
    first_line,
)
from replay.logs.maps import LogMap, load_map
from replay.logs.readers.raw import RawLog
from replay.records import QualityNote, Refusal, Session
from replay.wording import counted
from replay.workers import Each, in_turn

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how many files are done, and how many there are."""

MAP_SUFFIX = ".map.toml"
_LOOK_BYTES = 1 << 18
_DISK = (errno.ENOSPC, errno.EDQUOT, errno.EROFS)


@dataclass(frozen=True, slots=True)
class IngestResult:
    """What became of each source."""

    sessions: list[Session] = field(default_factory=list)
    refused: list[Refusal] = field(default_factory=list)
    unchanged: list[str] = field(default_factory=list)
    """Sessions that were in the archive already."""
    mended: list[str] = field(default_factory=list)
    """Those of them whose stored log was damaged or had gone, and is whole again."""
    replaced: dict[str, str] = field(default_factory=dict)
    """New session to the one whose place it took."""
    proposed: list[str] = field(default_factory=list)
    """Sources that were read with a proposed map, and how sure it was."""


@dataclass(frozen=True, slots=True)
class _Stored:
    """A new session; ``instead_of`` is the one whose place it took, ``completed`` if it grew."""

    session: Session
    instead_of: str | None
    completed: bool
    proposed: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _AlreadyThere:
    """A session that was in the archive already."""

    session: str
    mended: bool = False


_Outcomes = list[_Stored | _AlreadyThere | Refusal]
"""What has become of the sources so far, in their order."""


def _result(outcomes: _Outcomes) -> IngestResult:
    """Tell what became of each source; a new session that gave its place up is not told of."""
    stored = [o for o in outcomes if isinstance(o, _Stored)]
    known = [o for o in outcomes if isinstance(o, _AlreadyThere)]
    gone = {o.instead_of for o in stored}
    return IngestResult(
        sessions=[o.session for o in stored if o.session.session not in gone],
        refused=[o for o in outcomes if isinstance(o, Refusal)],
        unchanged=[o.session for o in known],
        mended=[o.session for o in known if o.mended],
        replaced={
            o.session.session: o.instead_of for o in stored if o.instead_of and not o.completed
        },
        proposed=[line for o in stored for line in o.proposed],
    )


def ingest(
    archive: Keeper,
    sources: str | Path | Iterable[str | Path],
    *,
    log_map: LogMap | str | Path | Sequence[LogMap | str | Path] | None = None,
    arm: Arm | str | Path | None = None,
    progress: Progress | None = None,
    replace_stored: bool = False,
    each: Each = in_turn,
) -> IngestResult:
    """Take logs into the archive.

    Parameters
    ----------
    archive : Archive
        From `replay.archive.open_archive`.
    sources : path, or several
        Files and folders (taken whole); a name is taken as it stands, brackets and stars too.
    log_map : LogMap, path or TOML, or several, optional
        Of several the first that fits a log is used. Without one, a map is
        proposed, and used if every needed line of it is sure enough.
    arm : Arm, path or TOML, optional
        Without one, joints have the names that the map gives.
    progress : callable, optional
        ``progress(what, done, total)``.
    replace_stored : bool
        Where the very same log was taken in before, under another map or arm
        file, put what it makes now in the place of what it made then, in one
        step. `IngestResult.replaced` tells which session went.
    each : Each
        Who reads and cleans logs. This process alone stores them, in their order, and
        reads itself what others could not make one session of.

    Returns
    -------
    IngestResult

    Raises
    ------
    UsageError
        When a source names nothing that is there.
    LogMapError, ArmFileError
        When a map or the arm file itself is wrong.
    """
    maps = _maps(log_map)
    the_arm = arm if arm is None or isinstance(arm, Arm) else load_arm(arm)
    files = find_sources([sources] if isinstance(sources, str | Path) else list(sources))
    outcomes: _Outcomes = []
    done = 0

    def in_work(path: Path) -> None:
        if progress is not None:
            progress(shown_path(path.name), done, len(files))

    for group, ahead in cleaned_ahead(archive, files, maps, the_arm, each, in_work):
        paths = group.paths
        in_work(paths[0])
        before = len(outcomes)
        try:
            if ahead is None or not ahead.is_current():
                _take(archive, group, maps, the_arm, outcomes, replace_stored)
            elif isinstance(ahead, KnownLogs):
                if archive.has_session(ahead.session):
                    _was_there(archive, outcomes, ahead.session, paths)
                else:  # it gave its place up meanwhile
                    _take(archive, group, maps, the_arm, outcomes, replace_stored)
            else:
                _keep_ahead(archive, group, ahead, maps, the_arm, outcomes, replace_stored)
        except (ArchiveError, KeyboardInterrupt, SystemExit, GeneratorExit):
            raise
        except BaseException as error:  # a log's trouble is that log's alone
            runs = sum(isinstance(o, _Stored) for o in outcomes[before:])
            outcomes += [Refusal(shown_path(p), _why(error, p, runs)) for p in paths]
        done += len(paths)
    if progress is not None:
        progress("", len(files), len(files))
    return _result(outcomes)


def find_sources(sources: Sequence[str | Path]) -> list[Path]:
    """Return the files that are meant, each once, in a stable order.

    Of a folder, maps, arm files, notes and hidden files are left out.
    """
    found: list[Path] = []
    for source in sources:
        path = Path(source)
        if path.is_dir():
            found += sorted(p for p in path.rglob("*") if p.is_file() and _is_log(p))
        elif path.exists():
            found.append(path)
        else:
            raise UsageError("no such file or folder", file=source)
    return list(dict.fromkeys(found))


def _why(error: BaseException, path: Path, runs: int) -> str:
    """Return the reason of a refusal; trouble that nobody foresaw says so.

    ``runs``: how many of the file's runs were stored before.

    Raises
    ------
    ArchiveError
        When the trouble is the archive's disk and not the log's.
    """
    if isinstance(error, JointbookError):
        return _reason(error, path)
    if isinstance(error, OSError):
        if error.errno in _DISK:
            raise ArchiveError(
                f"the archive's disk does not take it: {error.strerror}",
                file=error.filename,
                todo="make room, then ingest again; what is stored stays as it was",
            ) from None
        return f"cannot be read: {error.strerror or error}"
    if isinstance(error, MemoryError):
        return "needs more memory than there is"
    kept = f"{counted(runs, 'run')} of it {'was' if runs == 1 else 'were'} stored before"
    kept = kept if runs else "nothing of it was stored"
    return (
        f"this log meets a fault of the program ({type(error).__name__}: {first_line(error)}); "
        f"{kept}, and the others were read (report it with the log's first lines)"
    )


def _is_log(path: Path) -> bool:
    if any(part.startswith(".") for part in path.parts[-2:]):
        return False
    if path.suffix.lower() == ".json":
        return _holds_lines_of_json(path)
    return path.suffix.lower() not in (".toml", ".md", ".py", ".xml", ".part", ".tmp")


def _holds_lines_of_json(path: Path) -> bool:
    """Tell a log of one object a line from a document that is one object."""
    try:
        with path.open("rb") as handle:
            first = [line for line in handle.read(_LOOK_BYTES).splitlines() if line.strip()][:2]
        return len(first) == 2 and all(isinstance(json.loads(s), dict) for s in first)
    except (OSError, ValueError):
        return False


def _take(
    archive: Keeper,
    group: Group,
    maps: list[LogMap],
    arm: Arm | None,
    outcomes: _Outcomes,
    replace_stored: bool,
    joins: Session | None = None,
) -> None:
    """Take the files of one session; ``joins`` is the stored one that they are together with."""
    paths = group.paths
    refuse_odd_names(paths)
    known_open = group.opened
    before = [known_open[p].state if p in known_open else state_of(p) for p in paths]
    with archive.staging() as folder, ThreadPoolExecutor(1) as pool:
        raws = opened_logs(paths, folder, maps, {p: o.raw for p, o in known_open.items()})
        try:
            fits = fits_of(raws, maps)
        except LogMapError:
            refuse_overlap(archive, raws[0], maps, arm)
            raise
        raws, fits = placed(raws, fits)
        log_map = fits[0].log_map
        if is_seen(archive, paths):
            known = known_session(archive, logs_sha256(paths), log_map, arm)
            if known is not None:
                _was_there(archive, outcomes, known, paths)
                return
        if log_map.run is not None:
            runs = runs_of(raws[0], log_map.run) if len(raws) == 1 else []
            refuse_runs(runs, [log_span(run, log_map) for run in runs], raws[0], log_map)
        else:
            runs = [raws[0]]

        def keep(
            run: RawLog, own: str, placed_map: LogMap, as_it_is: bool, among: Sequence[RawLog]
        ) -> None:
            mine = [replace(fits[0], log_map=placed_map), *fits[1:]]
            logs, inside = [run, *raws[1:]], below(folder, own)
            cleaned = clean_logs(archive, pool, inside, logs, mine, arm, before, as_it_is)
            stored = _keep(
                archive, cleaned, outcomes, replace_stored, joins, [r.run for r in among]
            )
            if stored is not None:
                given = log_map if maps else None
                _join(archive, stored, group, given, arm, outcomes, replace_stored)

        for nth, run in enumerate(runs):
            alone = len(raws) == 1 and log_map.run is None
            try:
                keep(run, f"run{nth}", log_map, not alone, runs)
            except TimesGoBack as error:
                parts = runs_by_clock(run, log_map) if alone else []
                if not parts and str(error) != BEGAN_ANEW:
                    raise
                if not parts:
                    keep(run, "again", log_map, True, runs)
                for place, (part, placed_map) in enumerate(parts):
                    keep(part, f"part{place}", placed_map, True, [p for p, _ in parts])


def _keep_ahead(
    archive: Keeper,
    group: Group,
    cleaned: CleanLogs,
    maps: list[LogMap],
    arm: Arm | None,
    outcomes: _Outcomes,
    replace_stored: bool,
) -> None:
    """Store what another process has cleaned, as `_take` stores what it cleaned itself."""
    if is_seen(archive, group.paths):
        known = known_session(archive, cleaned.session.raw_sha256 or "", cleaned.log_map, arm)
        if known is not None:
            _was_there(archive, outcomes, known, group.paths)
            return
    stored = _keep(archive, cleaned, outcomes, replace_stored, None, [cleaned.session.run])
    if stored is not None:
        given = cleaned.log_map if maps else None
        _join(archive, stored, group, given, arm, outcomes, replace_stored)


def _keep(
    archive: Keeper,
    cleaned: CleanLogs,
    outcomes: _Outcomes,
    replace_stored: bool,
    joins: Session | None,
    among: Sequence[str],
) -> Session | None:
    """Store one session; return a stored one that it has to be read together with.

    ``among`` names all runs of its file.
    """
    session, paths = cleaned.session, cleaned.paths
    if archive.has_session(session.session):
        _was_there(archive, outcomes, session.session, paths)
        return None
    fresh = {o.session.session for o in outcomes if isinstance(o, _Stored)}
    old = None
    if replace_stored:
        old = the_one_to_replace(stored_of_same_log(archive, session, among, fresh))
    elif joins is None and start_is_stated(cleaned.log_map):
        refuse_twice(stored_of_same_log(archive, session, among, fresh), session, paths)
    begun = None if joins is None else joins.session
    if old is None and joins is None:
        begun = begun_before(archive, session, paths)
    if (old or begun) and not archive.exchanges:
        raise LogRefused(
            f"takes the place of session {old or begun}, and an object store cannot exchange two "
            "sessions in one step",
            file=paths[0],
            todo="copy the archive to a disk and do it there",
        )
    if joins is not None and joins.raw_sha256 != session.raw_sha256:
        said = f"takes the place of session {begun}, which had its first logs alone"
        session = replace(session, quality=(*session.quality, QualityNote("joined", said)))
    elif begun is not None and joins is None:
        said = f"takes the place of session {begun}, which was read while its log still grew"
        session = replace(session, quality=(*session.quality, QualityNote("completed", said)))
    log_map = cleaned.log_map
    if old is None and (not start_is_stated(log_map) or log_map.time.start_from is not None):
        other = shares_with(archive, session) if begun is None and not session.run else None
        if other is not None:
            return other
        check_overlap(archive, session, paths, begun)
    if archive.add_session(session, cleaned.files, raw=cleaned.kept, instead_of=old or begun):
        completed = old is None and joins is None
        outcomes.append(_Stored(session, old or begun, completed, cleaned.proposed))
    else:
        outcomes.append(_AlreadyThere(session.session))
    return None


def _join(
    archive: Keeper,
    stored: Session,
    group: Group,
    log_map: LogMap | None,
    arm: Arm | None,
    outcomes: _Outcomes,
    replace_stored: bool,
) -> None:
    """Read logs anew together with those of a stored session that has the same channels.

    ``log_map`` is the one that was given for them; None for a proposed one.

    Raises
    ------
    LogRefused
        When they cannot be read by the stored session's map, or contradict its logs.
    """
    logs = [path for path in archive.logs_of(stored) if path.is_file()]
    same_map = log_map is None or stored.map_toml == log_map.toml
    same_arm = stored.arm_toml == (arm.toml if arm is not None else None)
    sums = {file_digest(path) for path in logs}
    known = all(file_digest(path) in sums for path in group.paths)
    if known and replace_stored and log_map is not None and not (same_map and same_arm):
        _take(archive, Group(logs), [log_map], arm, outcomes, False, joins=stored)
        return
    if not (logs and same_map and same_arm and stored.map_toml):
        name = min(c for c in stored.channels["main"] if "." in c)
        raise same_channels(stored, group.paths, name)
    if known:
        outcomes.append(_AlreadyThere(stored.session))
        return
    both = Group([*logs, *group.paths])
    try:
        _take(archive, both, [load_map(stored.map_toml)], arm, outcomes, False, joins=stored)
    except LogRefused as error:
        raise LogRefused(
            f"overlaps in time with session {stored.session}, read from {stored.source}; "
            f"{error.what}",
            file=group.paths[0],
            todo=error.todo,
        ) from None


def _was_there(archive: Keeper, outcomes: _Outcomes, session: str, paths: list[Path]) -> None:
    """Note a session that is stored already; its log is put back where it was damaged."""
    outcomes.append(_AlreadyThere(session, mended=archive.mend_raw(session, paths)))


def _maps(log_map: LogMap | str | Path | Sequence[LogMap | str | Path] | None) -> list[LogMap]:
    if log_map is None:
        return []
    several = [log_map] if isinstance(log_map, LogMap | str | Path) else list(log_map)
    return [m if isinstance(m, LogMap) else load_map(m) for m in several]


def _reason(error: JointbookError, path: Path) -> str:
    text = str(error)
    return text.removeprefix(f"{path}: ").removeprefix(f"{path}, ")


__all__ = ["IngestResult", "Keeper", "Progress", "find_sources", "ingest", "shown_path"]
