"""Mend what can be mended without reading a log again.

Nothing is thrown away that might still be wanted: what has to leave its place
goes to ``set-aside/`` in the archive. Samples that are damaged come back by
`rebuild`, which reads the logs again and therefore lives above this room.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
from deltalake.exceptions import DeltaError

from replay.archive import catalogue, durable, layout, publish
from replay.archive.overview import write_overviews
from replay.archive.place import Place
from replay.archive.store import Archive
from replay.archive.verify import (
    Finding,
    active_files,
    changed_commits,
    noted_digests,
    read_session_file,
    torn_commits,
    verify,
)
from replay.errors import ArchiveError
from replay.records import Session

GROWING = ("reviews", "pins", "maintenance")
"""Tables that people wrote: no row of them is given up while a file holds it."""


@dataclass(frozen=True, slots=True)
class Mended:
    """One thing that `repair` did, or could not do."""

    where: str
    done: bool
    what: str


def repair(archive: Archive, findings: list[Finding] | None = None) -> list[Mended]:
    """Mend what `verify` found, as far as it can be mended from the archive itself.

    Parameters
    ----------
    archive : Archive
        On a disk of this machine.
    findings : list of Finding, optional
        What `verify` returned just now; it is called when not given.

    Raises
    ------
    ArchiveError
        For an archive on an object store, or one that cannot be written.
    """
    if archive.place.folder is None:
        raise ArchiveError(
            "repair works on a disk", file=archive.place, todo="copy the archive to a disk first"
        )
    found = verify(archive) if findings is None else findings
    by_kind: dict[str, Callable[[Archive, Finding], Mended]] = {
        "staging": _clear,
        "raw-unused": _clear,
        "table-empty": _clear,
        "overview": _overview,
        "record": _record,
        "raw": _raw,
    }
    mended = []
    with archive.tables.writing():
        tables = {f.where.split("/")[1] for f in found if f.kind in ("table-log", "table-file")}
        if any(f.kind == "catalogue" for f in found):
            tables.add("sessions")
        mended += [_table(archive, name) for name in sorted(tables)]
        redone: set[tuple[str, str | None]] = set()
        for finding in found:
            mend = by_kind.get(finding.kind)
            key = (finding.kind, finding.session or finding.where)
            if mend is not None and finding.remedy == "repair" and key not in redone:
                redone.add(key)
                mended.append(mend(archive, finding))
        mended += _adopt(archive)
    return mended


def _clear(archive: Archive, finding: Finding) -> Mended:
    place = archive.place.child(*finding.where.split("/"))
    if finding.kind == "raw-unused":
        _set_aside(archive, place)
        return Mended(finding.where, True, "set aside: no session came of it")
    place.remove()
    return Mended(finding.where, True, "removed: half-done work")


def _overview(archive: Archive, finding: Finding) -> Mended:
    """Make a session's overviews again from its samples."""
    assert finding.session is not None
    folder = _folder(archive.session_place(finding.session))
    document = read_session_file(archive.session_place(finding.session))
    if document is None:
        return Mended(finding.where, False, "the session's record is lost")
    samples = {f: d for f, d in document["files"].items() if not f.startswith(layout.OVERVIEWS)}
    if any(
        not (folder / f).exists() or durable.digest(folder / f) != d["sha256"]
        for f, d in samples.items()
    ):
        return Mended(finding.where, False, "its samples are damaged too: rebuild")
    shutil.rmtree(folder / layout.OVERVIEWS, ignore_errors=True)
    for file in samples:
        write_overviews(folder / file, folder / layout.OVERVIEWS, file.removesuffix(".parquet"))
    session = catalogue.session_of(document["record"])
    _write_session_file(folder, session)
    return Mended(finding.where, True, "made again from the samples")


def _record(archive: Archive, finding: Finding) -> Mended:
    """Write a session's file again from the catalogue, after reading its samples through."""
    assert finding.session is not None
    document = read_session_file(archive.session_place(finding.session))
    folder = _folder(archive.session_place(finding.session))
    try:
        record = archive.listed_record(finding.session)
        if document is not None:  # the digests are not in the catalogue: they stay
            content = catalogue.session_file(record, document["files"])
            durable.write_whole(folder / layout.RECORD, content)
            archive.tables.forget("sessions")
            return Mended(finding.where, True, "written again from the catalogue")
        for stream in record.channels:
            archive.samples(finding.session, stream=stream).collect(engine="streaming")
    except (ArchiveError, OSError, ValueError, pl.exceptions.PolarsError) as error:
        return Mended(finding.where, False, f"its samples cannot be read: {error}")
    _write_session_file(folder, record)
    return Mended(finding.where, True, "written again from the catalogue")


def _raw(archive: Archive, finding: Finding) -> Mended:
    """List a log's files again; only a single file can vouch for itself by its name."""
    folder = _folder(archive.place.child(*finding.where.split("/")))
    files = sorted(p for p in folder.iterdir() if p.is_file() and p.name != layout.RAW_LIST)
    if len(files) != 1 or durable.digest(files[0]) != folder.name:
        return Mended(finding.where, False, "the log's files do not match its digest")
    listed = [{"file": files[0].name, "sha256": folder.name, "bytes": files[0].stat().st_size}]
    durable.write_whole(folder / layout.RAW_LIST, json.dumps({"files": listed}, indent=1).encode())
    return Mended(finding.where, True, "listed again")


def _table(archive: Archive, name: str) -> Mended:
    """Bring a table back to what its sound files, or the sessions' folders, hold."""
    where = f"{layout.TABLES}/{name}"
    place = archive.place.child(layout.TABLES, name)
    folder = _folder(place)
    torn = _drop_torn_commits(archive, folder)
    changed = changed_commits(place, noted_digests(archive.place, name))
    archive.tables.forget(name)
    try:
        files = active_files(place)
    except (DeltaError, OSError):
        files = None
    readable = _readable(archive, name, files or ())
    whole = files is not None and len(readable) == len(files) and not changed
    if whole and name != "sessions":
        return Mended(where, True, f"{torn} unfinished commits set aside")
    if name == "sessions":
        rows = _catalogue_again(archive, readable)
        what = f"written again from {rows.height} session folders"
    elif files is None and name not in GROWING:
        _set_aside(archive, place)
        archive.tables.forget(name)
        return Mended(where, True, "set aside: run the command that made it again")
    else:
        if name in GROWING:  # older files hold the same rows: none is lost by one bad file
            readable = _readable(archive, name, [p.name for p in folder.glob("*.parquet")])
        rows = (
            pl.concat(readable, how="diagonal_relaxed").unique(maintain_order=True)
            if (readable)
            else pl.DataFrame()
        )
        lost = len(files or {}) - len(readable)
        what = f"kept the {rows.height} rows of its sound files"
        what += f"; {lost} files were lost, check those sessions again" if lost > 0 else ""
    _set_aside(archive, place)
    archive.tables.forget(name)
    ledger = archive.place.child(layout.DIGESTS, f"{name}.ndjson")
    if ledger.exists():  # its commits had the names that the new ones get
        _set_aside(archive, ledger)
    if rows.height:
        archive.tables.append(name, rows)
    return Mended(where, True, what)


def _adopt(archive: Archive) -> list[Mended]:
    """List sessions that were stored whole but not yet listed; set aside the rest."""
    known = set(archive.tables.read("sessions", ("session",))["session"])
    mended = []
    for name in archive.place.child(layout.SAMPLES).names():
        if name in known:
            continue
        place = archive.session_place(name)
        document = read_session_file(place)
        folder = _folder(place)
        sound = document is not None and all(
            (folder / file).exists() and durable.digest(folder / file) == noted["sha256"]
            for file, noted in document["files"].items()
        )
        where = f"{layout.SAMPLES}/{name}"
        if sound and document is not None:
            row = catalogue.row(catalogue.session_of(document["record"]))
            archive.tables.replace("sessions", row, "session", [name])
            mended.append(Mended(where, True, "whole, now in the catalogue"))
        else:
            _set_aside(archive, place)
            mended.append(Mended(where, True, "not whole: set aside, ingest its log again"))
    return mended


def _sessions_on_disk(archive: Archive) -> list[Session]:
    documents = (
        read_session_file(archive.session_place(name))
        for name in archive.place.child(layout.SAMPLES).names()
    )
    return [catalogue.session_of(d["record"]) for d in documents if d is not None]


def _catalogue_again(archive: Archive, readable: list[pl.DataFrame]) -> pl.DataFrame:
    """Return the catalogue's rows: by the folders, and by old rows where a folder has gone."""
    rows = [catalogue.row(s) for s in _sessions_on_disk(archive)]
    joined = pl.concat([*rows, *readable], how="diagonal_relaxed") if rows or readable else None
    if joined is None:
        return pl.DataFrame()
    return joined.unique("session", keep="first", maintain_order=True)


def _readable(archive: Archive, name: str, files: Iterable[str]) -> list[pl.DataFrame]:
    """Return the content of a table's files that are what was written."""
    folder = _folder(archive.place.child(layout.TABLES, name))
    noted = noted_digests(archive.place, name)
    frames = []
    for file in files:
        try:
            if file in noted and durable.digest(folder / file) != noted[file]:
                continue
            frames.append(pl.read_parquet(folder / file, glob=False))
        except (OSError, pl.exceptions.PolarsError):
            continue
    return frames


def _drop_torn_commits(archive: Archive, folder: Path) -> int:
    """Set aside commits at the end of the log that the power cut in the middle."""
    torn = torn_commits(archive.place.child(*folder.relative_to(_root(archive)).parts))
    for name in torn:
        commit = folder / name
        _set_aside(archive, archive.place.child(*commit.relative_to(_root(archive)).parts))
    return len(torn)


def _set_aside(archive: Archive, place: Place) -> None:
    folder = _folder(place)
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S.%f")
    target = _root(archive) / layout.SET_ASIDE / stamp / folder.relative_to(_root(archive))
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.move(folder, target)


def _write_session_file(folder: Path, session: Session) -> None:
    content = catalogue.session_file(session, publish.file_digests(folder))
    durable.write_whole(folder / layout.RECORD, content)


def _root(archive: Archive) -> Path:
    return _folder(archive.place)


def _folder(place: Place) -> Path:
    assert place.folder is not None
    return place.folder
