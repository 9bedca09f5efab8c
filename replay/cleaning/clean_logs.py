"""Logs of one session, opened, bound to a log map and cleaned, without a look at what is stored."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from replay.arm import Arm
from replay.cleaning.keeper import Keeper
from replay.cleaning.log_files import State, are_as_before, below, state_of
from replay.cleaning.long.long_table import clean_long
from replay.cleaning.overlap import start_is_stated
from replay.cleaning.parts import Part, clean_wide, joint_names
from replay.cleaning.same_channels import settle
from replay.cleaning.sessions import build_session
from replay.cleaning.stream.cleaner import TimesGoBack
from replay.cleaning.times.drift import drift_notes
from replay.errors import LogRefused
from replay.logs.bind import check_enough, check_whole
from replay.logs.maps import SHARED_KEYS, LogMap
from replay.logs.proposing.fit import Fit, fit, fit_some
from replay.logs.proposing.proposal import told_together
from replay.logs.readers.arranged import arranged
from replay.logs.readers.open_log import open_log
from replay.logs.readers.raw import RawLog
from replay.logs.times.start_names import with_start
from replay.records import QualityNote, Session

BEGAN_ANEW = "the clock begins anew"


@dataclass(frozen=True, slots=True)
class CleanLogs:
    """One session made of its logs, below a folder of staging; it travels between processes."""

    session: Session
    files: Mapping[str, Path]
    """Its streams."""
    kept: Path
    """The copy of its logs."""
    log_map: LogMap
    paths: list[Path]
    states: list[State]
    """Of the logs, before they were opened."""
    proposed: tuple[str, ...]
    """What is told of a map that was proposed."""

    def is_current(self) -> bool:
        """Tell whether the logs are still what was read."""
        return are_as_before(self.paths, self.states)


def opened_logs(
    paths: Sequence[Path], folder: Path, maps: Sequence[LogMap], opened: Mapping[Path, RawLog]
) -> list[RawLog]:
    """Open logs that are not open yet; what they have to be unpacked into lies below a folder."""
    return [
        opened[path] if path in opened else open_log(path, below(folder, f"log{n}"), maps)
        for n, path in enumerate(paths)
    ]


def placed(raws: Sequence[RawLog], fits: Sequence[Fit]) -> tuple[list[RawLog], list[Fit]]:
    """Give each map the start that its log's name or folder states, each log its map's shape."""
    told = [
        replace(found, log_map=with_start(found.log_map, raw.path))
        for raw, found in zip(raws, fits, strict=True)
    ]
    return [arranged(raw, found.log_map) for raw, found in zip(raws, told, strict=True)], told


def clean_logs(
    archive: Keeper,
    pool: ThreadPoolExecutor,
    folder: Path,
    raws: list[RawLog],
    fits: list[Fit],
    arm: Arm | None,
    before: list[State],
    as_it_is: bool = False,
) -> CleanLogs:
    """Clean the logs of one session, or one run of a log, below a folder of staging.

    Parameters
    ----------
    pool : ThreadPoolExecutor
        Copies the logs meanwhile.
    before : list
        Each file's state before it was opened.
    as_it_is : bool
        Take a clock that begins anew as one run.

    Raises
    ------
    LogRefused
        When the logs are no session, or changed meanwhile.
    TimesGoBack
        When the clock begins anew in it, unless it is to be taken ``as_it_is``.
    """
    paths, log_map = [raw.path for raw in raws], fits[0].log_map
    joints, note = joint_names(log_map, arm)
    copying = pool.submit(archive.copy_raw, below(folder, "kept"), paths)
    parts = [
        (clean_long if fit.log_map.layout == "long" else clean_wide)(
            raw,
            fit.log_map,
            fit.bindings,
            joints,
            arm,
            below(folder, f"log{n}"),
            follow=archive.overviews_beside,
        )
        for n, (raw, fit) in enumerate(zip(raws, fits, strict=True))
    ]
    kept, sha256 = copying.result()
    if [state_of(p) for p in paths] != before:
        raise LogRefused(
            "the file changed while it was read",
            file=paths[0],
            todo="ingest it again when it is complete",
        )
    if not as_it_is and _begins_anew(parts[0]):
        raise TimesGoBack(BEGAN_ANEW)
    if len(parts) > 1:
        parts = settle(parts, below(folder, "settled"), archive.overviews_beside)
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
    said_of = zip(paths, fits, strict=True)
    proposed = tuple(f"{path.name}: {found.said}" for path, found in said_of if found.said)
    return CleanLogs(session, dict(files), kept, log_map, paths, before, proposed)


def _begins_anew(part: Part) -> bool:
    """Tell whether a log's clock went back to about where it began, if only at its end."""
    orderers = [cleaner.orderer for cleaner in part.cleaners.values()]
    back = any(o.began_anew and o.set_back.count for o in orderers)
    return back or any(a.kind == "clock-step" for a in part.raw.set_aside)


def fits_of(raws: list[RawLog], maps: list[LogMap]) -> list[Fit]:
    """Bind each log to the map that fits it, or to one that is proposed."""
    if len(raws) == 1:
        return [fit(raws[0], maps)]
    some = [f for raw in raws if (f := fit_some(raw, maps)) is not None]
    check_enough(some[0].log_map, raws[0].path)
    check_whole(some[0].log_map, [b for f in some for b in f.bindings], [raw.path for raw in raws])
    return some


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


def program_version() -> str:
    """Return the program's name and version, as kept with a session."""
    try:
        return f"jointbook {version('jointbook')}"
    except PackageNotFoundError:
        return "jointbook"
