"""The whole way in: files to sessions in the archive.

A file is taken whole or not at all, and one file's trouble never stops the
rest. What was read, with which map, arm file and version, is kept with the
session, so that it can be made again from the raw file.
"""

from __future__ import annotations

import contextlib
import glob
import hashlib
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Protocol

import polars as pl

from replay.arm import Arm, load_arm
from replay.cleaning.long import channel_names, clean_long
from replay.cleaning.parts import Part, clean_wide, joint_names
from replay.cleaning.sessions import arm_name, build_session
from replay.errors import ArchiveError, JointbookError, LogMapError, LogRefused, UsageError
from replay.logs.bind import Binding, bind, check_enough
from replay.logs.maps import LogMap, load_map
from replay.logs.propose import propose
from replay.logs.raw import RawLog
from replay.logs.readers import open_log
from replay.records import QualityNote, Refusal, Session

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how many files are done, and how many there are."""

MAP_SUFFIX = ".map.toml"
_CHUNK = 1 << 22


class Keeper(Protocol):
    """What `ingest` asks of an archive."""

    def sessions(self) -> pl.DataFrame: ...  # noqa: D102
    def has_session(self, session: str) -> bool: ...  # noqa: D102
    def session(self, session: str) -> Session: ...  # noqa: D102
    def staging(self) -> contextlib.AbstractContextManager[Path]: ...  # noqa: D102
    def add_session(  # noqa: D102
        self, session: Session, streams: Any, *, raw: Any = None
    ) -> bool: ...


@dataclass(slots=True)
class IngestResult:
    """What became of each source."""

    sessions: list[Session] = field(default_factory=list)
    refused: list[Refusal] = field(default_factory=list)
    unchanged: list[str] = field(default_factory=list)
    """Sessions that were in the archive already."""
    proposed: list[str] = field(default_factory=list)
    """Sources that were read with a proposed map, and how sure it was."""


def ingest(
    archive: Keeper,
    sources: str | Path | Iterable[str | Path],
    *,
    log_map: LogMap | str | Path | Sequence[LogMap | str | Path] | None = None,
    arm: Arm | str | Path | None = None,
    progress: Progress | None = None,
) -> IngestResult:
    """Take logs into the archive.

    Parameters
    ----------
    archive : Archive
        From `replay.archive.open_archive`.
    sources : path, or several
        Files, folders (taken whole) and globs.
    log_map : LogMap, path or TOML, or several, optional
        Of several the first that fits a log is used. Without one, a map is
        proposed, and used if every needed line of it is sure enough.
    arm : Arm, path or TOML, optional
        Without one, joints have the names that the map gives.
    progress : callable, optional
        ``progress(what, done, total)``.

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
    result = IngestResult()
    for done, path in enumerate(files):
        if progress is not None:
            progress(path.name, done, len(files))
        try:
            _take(archive, path, maps, the_arm, result)
        except ArchiveError:
            raise
        except JointbookError as error:
            result.refused.append(Refusal(str(path), _reason(error, path)))
        except MemoryError:
            result.refused.append(Refusal(str(path), "needs more memory than there is"))
    if progress is not None:
        progress("", len(files), len(files))
    return result


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
            matches = sorted(Path(m) for m in glob.glob(str(source), recursive=True))
            matches = [m for m in matches if m.is_file()]
            if not matches:
                raise UsageError("no such file or folder", file=source)
            found += matches
    return list(dict.fromkeys(found))


def _is_log(path: Path) -> bool:
    if any(part.startswith(".") for part in path.parts[-2:]):
        return False
    return path.suffix.lower() not in (".toml", ".md", ".json", ".py", ".xml", ".part", ".tmp")


def _take(
    archive: Keeper,
    path: Path,
    maps: list[LogMap],
    arm: Arm | None,
    result: IngestResult,
) -> None:
    with archive.staging() as folder, ThreadPoolExecutor(1) as pool:
        digest: Future[str] = pool.submit(file_sha256, path)
        raw = open_log(path, folder)
        log_map, bindings, said = _fit(raw, maps)
        known = _known(archive, digest.result() if _seen(archive, path) else None, log_map, arm)
        if known is not None:
            result.unchanged.append(known)
            return
        joints, note = joint_names(log_map, arm)
        part = _clean(raw, log_map, bindings, joints, arm, folder)
        session, files = build_session(
            [part],
            log_map,
            arm,
            joints,
            raw_sha256=digest.result(),
            program=program_version(),
            extra=_notes_on_map(log_map, note),
        )
        if archive.has_session(session.session):
            result.unchanged.append(session.session)
            return
        if not _start_is_stated(log_map):
            _check_overlap(archive, session, path)
        if archive.add_session(session, files, raw=path):
            result.sessions.append(session)
            if said:
                result.proposed.append(f"{path.name}: {said}")
        else:
            result.unchanged.append(session.session)


def _clean(
    raw: RawLog,
    log_map: LogMap,
    bindings: list[Binding],
    joints: tuple[str, ...],
    arm: Arm | None,
    folder: Path,
) -> Part:
    clean = clean_long if log_map.layout == "long" else clean_wide
    return clean(raw, log_map, bindings, joints, arm, folder)


def _fit(raw: RawLog, maps: list[LogMap]) -> tuple[LogMap, list[Binding], str]:
    """Return the first map that fits the log; propose one when none is given."""
    if not maps:
        return _propose(raw)
    first: JointbookError | None = None
    for log_map in maps:
        try:
            check_enough(log_map, raw.path)
            columns = raw.columns if log_map.layout == "wide" else channel_names(raw, log_map)
            return log_map, bind(log_map, columns, raw.path), ""
        except LogMapError as error:
            first = first or error
    assert first is not None
    raise first


def _propose(raw: RawLog) -> tuple[LogMap, list[Binding], str]:
    """Read a log with a proposed map, if a person need not look at it first."""
    proposal = propose(raw)
    if not proposal.sure:
        doubts = [
            f"[{d.table}] {d.key} = {d.value}: {d.why or 'not sure'}" for d in proposal.doubts
        ]
        raise LogMapError(
            "no log map was given, and the proposed one is not sure enough: "
            + "; ".join([*proposal.missing, *doubts]),
            file=raw.path,
            todo=f"`jointbook map {raw.path} --out log.map.toml`, look at its lines, "
            "then ingest with --map log.map.toml",
        )
    log_map = proposal.log_map()
    columns = raw.columns if log_map.layout == "wide" else channel_names(raw, log_map)
    lowest = min(line.confidence for line in proposal.used if line.key != "numbering")
    return log_map, bind(log_map, columns, raw.path), f"its least sure line {lowest:.2f}"


def _maps(log_map: LogMap | str | Path | Sequence[LogMap | str | Path] | None) -> list[LogMap]:
    if log_map is None:
        return []
    several = [log_map] if isinstance(log_map, LogMap | str | Path) else list(log_map)
    return [m if isinstance(m, LogMap) else load_map(m) for m in several]


def _seen(archive: Keeper, path: Path) -> bool:
    frame = archive.sessions()
    return frame.height > 0 and path.name in frame["source"]


def _known(archive: Keeper, sha256: str | None, log_map: LogMap, arm: Arm | None) -> str | None:
    """Return the session that this very log, map and arm file made before."""
    if sha256 is None:
        return None
    from replay.cleaning.sessions import session_id

    name = arm_name(log_map, arm)
    ending = session_id(0, name, sha256, log_map.toml, arm.toml if arm else "")[16:]
    for known in archive.sessions()["session"]:
        if known.endswith(ending):
            return str(known)
    return None


def _start_is_stated(log_map: LogMap) -> bool:
    """Tell whether the log has no date of its own, so that it cannot be placed."""
    return log_map.time.rows_at_hz is not None or log_map.time.format == "seconds"


def _notes_on_map(log_map: LogMap, names: str | None) -> list[QualityNote]:
    notes = [QualityNote("joint-names", names)] if names else []
    if _start_is_stated(log_map):
        notes.append(
            QualityNote(
                "stated-start",
                f"the log has no date; its start is the log map's, {log_map.time.start}",
                channel="time",
            )
        )
    return notes


def _check_overlap(archive: Keeper, session: Session, path: Path) -> None:
    frame = archive.sessions()
    if not frame.height:
        return
    others = frame.filter(
        (pl.col("arm") == session.arm)
        & (pl.col("start") <= session.end)
        & (pl.col("end") >= session.start)
    )
    mine = {c for names in session.channels.values() for c in names}
    for name in others["session"] if others.height else []:
        other = archive.session(name)
        both = mine & {c for names in other.channels.values() for c in names}
        if both:
            raise LogRefused(
                f"overlaps in time with session {name}, read from {other.source}, which has "
                f"the same channels ({sorted(both)[0]}, ...)",
                file=path,
                todo="one log of a session is enough; remove one, or name another arm",
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


__all__ = ["IngestResult", "Keeper", "Progress", "find_sources", "ingest"]
