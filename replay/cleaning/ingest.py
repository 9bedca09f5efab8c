"""The whole way in: files to sessions in the archive.

A file is taken whole or not at all, and one file's trouble never stops the
rest. What was read, with which map, arm file and version, is kept with the
session, so that it can be made again from the raw file.

Longer than 245 lines because taking a file whole or not at all is one sequence, and its
refusals are told in one place.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from replay.arm import Arm, load_arm
from replay.cleaning.keeper import Keeper
from replay.cleaning.long.long_table import clean_long
from replay.cleaning.overlap import (
    begun_before,
    check_overlap,
    refuse_overlap,
    same_channels,
    shares_with,
    start_is_stated,
)
from replay.cleaning.parts import Part, clean_wide, joint_names
from replay.cleaning.restarts import runs_by_clock
from replay.cleaning.runs import refuse_runs, runs_of
from replay.cleaning.same_channels import settle
from replay.cleaning.same_log import refuse_twice, stored_of_same_log, the_one_to_replace
from replay.cleaning.session_grouping import Group, gather, log_span
from replay.cleaning.sessions import arm_name, build_session, session_id, source_name
from replay.cleaning.stream.cleaner import TimesGoBack
from replay.cleaning.times.drift import drift_notes
from replay.errors import (
    ArchiveError,
    JointbookError,
    LogMapError,
    LogRefused,
    UsageError,
    first_line,
)
from replay.logs.bind import check_enough, check_whole
from replay.logs.maps import SHARED_KEYS, LogMap, load_map
from replay.logs.proposing.fit import Fit, fit, fit_some
from replay.logs.proposing.proposal import told_together
from replay.logs.readers.arranged import arranged
from replay.logs.readers.open_log import open_log
from replay.logs.readers.raw import RawLog
from replay.logs.times.start_names import with_start
from replay.records import QualityNote, Refusal, Session

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how many files are done, and how many there are."""

MAP_SUFFIX = ".map.toml"
_CHUNK = 1 << 22
_LOOK_BYTES = 1 << 18
_BEGAN_ANEW = "the clock begins anew"
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
    for group in gather(files, maps):
        paths = group.paths
        if progress is not None:
            progress(shown_path(paths[0].name), done, len(files))
        try:
            _take(archive, group, maps, the_arm, outcomes, replace_stored)
        except (ArchiveError, KeyboardInterrupt, SystemExit, GeneratorExit):
            raise
        except BaseException as error:  # a log's trouble is that log's alone
            outcomes += [Refusal(shown_path(p), _why(error, p)) for p in paths]
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


def shown_path(path: str | Path) -> str:
    r"""Return a path as text that can be printed and stored, whatever its octets.

    Examples
    --------
    >>> shown_path("caf\udce9.csv")
    'caf\\xe9.csv'
    """
    return os.fsencode(path).decode("utf-8", "backslashreplace")


def _why(error: BaseException, path: Path) -> str:
    """Return the reason of a refusal; trouble that nobody foresaw says so.

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
    return (
        f"this log meets a fault of the program ({type(error).__name__}: {first_line(error)}); "
        "nothing of it was stored, and the others were read (report it with the log's first lines)"
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
    for path in paths:
        if shown_path(path) != str(path):
            raise LogRefused("the file's name is not UTF-8", todo="rename the file")
    known_open = group.opened
    before = [known_open[p].state if p in known_open else _state(p) for p in paths]
    with archive.staging() as folder, ThreadPoolExecutor(1) as pool:
        raws = [
            known_open[path].raw
            if path in known_open
            else open_log(path, _below(folder, f"log{n}"), maps)
            for n, path in enumerate(paths)
        ]
        try:
            fits = _fits(raws, maps)
        except LogMapError:
            refuse_overlap(archive, raws[0], maps, arm)
            raise
        fits = [
            replace(fit, log_map=with_start(fit.log_map, path))
            for fit, path in zip(fits, paths, strict=True)
        ]
        raws = [arranged(raw, fit.log_map) for raw, fit in zip(raws, fits, strict=True)]
        log_map = fits[0].log_map
        if _seen(archive, paths):
            known = _known(archive, paths, log_map, arm)
            if known is not None:
                _was_there(archive, outcomes, known, paths)
                return
        if log_map.run is not None:
            runs = runs_of(raws[0], log_map.run) if len(raws) == 1 else []
            refuse_runs(runs, [log_span(run, log_map) for run in runs], raws[0], log_map)
        else:
            runs = [raws[0]]

        def keep(
            run: RawLog, own: str, placed: LogMap, as_it_is: bool, among: Sequence[RawLog]
        ) -> None:
            mine = [replace(fits[0], log_map=placed), *fits[1:]]
            logs, inside = [run, *raws[1:]], _below(folder, own)
            stored = _keep(
                archive, pool, inside, logs, mine, arm, before, outcomes, replace_stored, joins,
                as_it_is, [r.run for r in among],
            )  # fmt: skip
            if stored is not None:
                given = log_map if maps else None
                _join(archive, stored, group, given, arm, outcomes, replace_stored)

        for nth, run in enumerate(runs):
            alone = len(raws) == 1 and log_map.run is None
            try:
                keep(run, f"run{nth}", log_map, not alone, runs)
            except TimesGoBack as error:
                parts = runs_by_clock(run, log_map) if alone else []
                if not parts and str(error) != _BEGAN_ANEW:
                    raise
                if not parts:
                    keep(run, "again", log_map, True, runs)
                for place, (part, placed) in enumerate(parts):
                    keep(part, f"part{place}", placed, True, [p for p, _ in parts])


def _keep(
    archive: Keeper,
    pool: ThreadPoolExecutor,
    folder: Path,
    raws: list[RawLog],
    fits: list[Fit],
    arm: Arm | None,
    before: list[tuple[int, int]],
    outcomes: _Outcomes,
    replace_stored: bool,
    joins: Session | None,
    as_it_is: bool,
    among: Sequence[str],
) -> Session | None:
    """Clean and store one session; return a stored one that it has to be read together with.

    ``among`` names all runs of its file.

    Raises
    ------
    TimesGoBack
        When the clock begins anew in it, unless it is to be taken ``as_it_is``.
    """
    paths, log_map = [raw.path for raw in raws], fits[0].log_map
    joints, note = joint_names(log_map, arm)
    copying = pool.submit(archive.copy_raw, _below(folder, "kept"), paths)
    parts = [
        (clean_long if fit.log_map.layout == "long" else clean_wide)(
            raw,
            fit.log_map,
            fit.bindings,
            joints,
            arm,
            _below(folder, f"log{n}"),
            follow=archive.overviews_beside,
        )
        for n, (raw, fit) in enumerate(zip(raws, fits, strict=True))
    ]
    kept, sha256 = copying.result()
    if [_state(p) for p in paths] != before:
        raise LogRefused(
            "the file changed while it was read",
            file=paths[0],
            todo="ingest it again when it is complete",
        )
    if not as_it_is and _begins_anew(parts[0]):
        raise TimesGoBack(_BEGAN_ANEW)
    if len(parts) > 1:
        parts = settle(parts, _below(folder, "settled"), archive.overviews_beside)
    session, files = build_session(
        parts,
        log_map,
        arm,
        joints,
        raw_sha256=sha256,
        program=program_version(),
        extra=[
            *_notes_on_map(log_map, note, raws[0].run),
            *drift_notes(parts),
            *_shared(fits),
            *_unused(raws, fits),
        ],
    )
    if archive.has_session(session.session):
        _was_there(archive, outcomes, session.session, paths)
        return None
    fresh = {o.session.session for o in outcomes if isinstance(o, _Stored)}
    old = None
    if replace_stored:
        old = the_one_to_replace(stored_of_same_log(archive, session, among, fresh))
    elif joins is None and start_is_stated(log_map):
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
    if joins is not None and joins.raw_sha256 != sha256:
        said = f"takes the place of session {begun}, which had its first logs alone"
        session = replace(session, quality=(*session.quality, QualityNote("joined", said)))
    elif begun is not None and joins is None:
        said = f"takes the place of session {begun}, which was read while its log still grew"
        session = replace(session, quality=(*session.quality, QualityNote("completed", said)))
    if old is None and (not start_is_stated(log_map) or log_map.time.start_from is not None):
        other = shares_with(archive, session) if begun is None and not raws[0].run else None
        if other is not None:
            return other
        check_overlap(archive, session, paths, begun)
    if archive.add_session(session, files, raw=kept, instead_of=old or begun):
        said_of = zip(paths, fits, strict=True)
        proposed = tuple(f"{path.name}: {fit.said}" for path, fit in said_of if fit.said)
        completed = old is None and joins is None
        outcomes.append(_Stored(session, old or begun, completed, proposed))
    else:
        outcomes.append(_AlreadyThere(session.session))
    return None


def _begins_anew(part: Part) -> bool:
    """Tell whether a log's clock went back to about where it began, if only at its end."""
    orderers = [cleaner.orderer for cleaner in part.cleaners.values()]
    back = any(o.began_anew and o.set_back.count for o in orderers)
    return back or any(a.kind == "clock-step" for a in part.raw.set_aside)


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
    sums = {file_sha256(path) for path in logs}
    known = all(file_sha256(path) in sums for path in group.paths)
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


def _state(path: Path) -> tuple[int, int]:
    found = path.stat()
    return found.st_size, found.st_mtime_ns


def _fits(raws: list[RawLog], maps: list[LogMap]) -> list[Fit]:
    if len(raws) == 1:
        return [fit(raws[0], maps)]
    some = [f for raw in raws if (f := fit_some(raw, maps)) is not None]
    check_enough(some[0].log_map, raws[0].path)
    check_whole(some[0].log_map, [b for f in some for b in f.bindings], [raw.path for raw in raws])
    return some


def _below(folder: Path, name: str) -> Path:
    made = folder / name
    made.mkdir(exist_ok=True)
    return made


def _maps(log_map: LogMap | str | Path | Sequence[LogMap | str | Path] | None) -> list[LogMap]:
    if log_map is None:
        return []
    several = [log_map] if isinstance(log_map, LogMap | str | Path) else list(log_map)
    return [m if isinstance(m, LogMap) else load_map(m) for m in several]


def _seen(archive: Keeper, paths: Sequence[Path]) -> bool:
    """Tell whether logs of these names came before; then digests are worth waiting for."""
    frame = archive.sessions()
    return frame.height > 0 and source_name([p.name for p in paths]) in frame["source"]


def _known(archive: Keeper, paths: Sequence[Path], log_map: LogMap, arm: Arm | None) -> str | None:
    """Return the session that this very log, map and arm file made before."""
    told = [file_sha256(p) for p in paths]
    sha256 = told[0] if len(told) == 1 else hashlib.sha256("".join(told).encode()).hexdigest()
    name = arm_name(log_map, arm)
    ending = session_id(0, name, sha256, log_map.toml, arm.toml if arm else "")[16:]
    for known in archive.sessions()["session"]:
        if known.endswith(ending):
            return str(known)
    return None


_WHOSE = {
    None: "the log map's",
    "name": "from the file's name",
    "folder": "from the folder's name",
    "sidecar": "from the file beside it",
}
"""Whose word a log's start is, by `TimeEntry.start_from`."""


def _notes_on_map(log_map: LogMap, names: str | None, run: str) -> list[QualityNote]:
    notes = [QualityNote("joint-names", names)] if names else []
    if start_is_stated(log_map) and run in ("", "run 1"):
        notes.append(
            QualityNote(
                "stated-start",
                f"the log has no date; its start is {_WHOSE[log_map.time.start_from]}, "
                f"{log_map.time.start}",
                channel="time",
            )
        )
    return notes


def _shared(fits: Sequence[Fit]) -> Iterator[QualityNote]:
    """Say of which joints one column is the temperature."""
    for found in fits:
        by_column: dict[str, list[str]] = {}
        for b in found.bindings:
            if b.entry.key in SHARED_KEYS:
                by_column.setdefault(b.column, []).append(b.channel.rpartition(".")[0])
        for column, joints in by_column.items():
            if len(joints) > 1:
                said = f"column {column!r} is the temperature of {', '.join(joints)}"
                yield QualityNote("shared-column", said, count=len(joints))


def _unused(raws: Sequence[RawLog], fits: Sequence[Fit]) -> Iterator[QualityNote]:
    """Say which columns of each log no line of the map reads."""
    for raw, found in zip(raws, fits, strict=True):
        if found.log_map.layout == "long":
            present: Sequence[str] = found.channels
            read = {b.column for b in found.bindings}
        else:
            present = raw.columns
            read = {b.column for b in found.bindings} | set(found.log_map.time.columns)
            read |= {found.log_map.run or "", found.log_map.time.nanosecond or ""}
            read.add(found.log_map.time.date or "")
        left = [c for c in present if c not in read]
        if left:
            noun = "channel" if found.log_map.layout == "long" else "column"
            yield QualityNote(
                "unused",
                f"{len(left)} {noun}{'s' * (len(left) > 1)} of {raw.path.name} that the log map "
                f"does not name: {told_together(left)}",
                count=len(left),
            )


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a file's octets, in hexadecimal."""
    digest = hashlib.sha256()
    with path.open("rb") as handle:
        while chunk := handle.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()


def program_version() -> str:
    """Return the program's name and version, as kept with a session."""
    try:
        return f"jointbook {version('jointbook')}"
    except PackageNotFoundError:
        return "jointbook"


def _reason(error: JointbookError, path: Path) -> str:
    text = str(error)
    return text.removeprefix(f"{path}: ").removeprefix(f"{path}, ")


__all__ = ["IngestResult", "Keeper", "Progress", "find_sources", "ingest", "shown_path"]
