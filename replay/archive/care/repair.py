"""Mend what can be mended without reading a log again.

What is new is built beside, given to the disk and swapped in; what leaves its
place goes to ``set-aside/`` and stays there. A mend after which rows would be
missing that the archive holds today is only told, and done when it is asked
for by name (``drop``). Samples that are damaged come back by `rebuild`, which
reads the logs again and therefore lives above this room.

Longer than 245 lines because the mends share one rule of what may be lost, and are read against
each other.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import orjson
import polars as pl

from replay.archive import catalogue, documents, layout
from replay.archive.care.findings import Finding
from replay.archive.care.repair_tables import TABLE_KINDS, repair_table
from replay.archive.care.verify import read_session_file, verify
from replay.archive.care.verify_tables import table_names
from replay.archive.disk import durable, publish, swap
from replay.archive.disk.fence import fenced
from replay.archive.disk.place import Place, place_of
from replay.archive.disk.seal import sealed
from replay.archive.marker import read_marker, write_marker
from replay.archive.samples.overview import write_overviews
from replay.archive.store import WITHDRAWN, Archive
from replay.digests import file_digest, joined_digest
from replay.errors import ArchiveError, first_line
from replay.records import Session


@dataclass(frozen=True, slots=True)
class Mended:
    """One thing that `repair` did, or could not do, or would do if it were told to."""

    where: str
    done: bool
    what: str
    drops: bool = False
    """Rows go with it; done only when asked for."""


def repair_marker(path: str | Path, storage_options: dict[str, str] | None = None) -> list[Mended]:
    """Write the archive's marker again from its copy, or from what lies in the folder.

    An archive of which neither is whole cannot be opened; this comes first.

    Parameters
    ----------
    path : str or Path
        Folder or URL of the archive.
    storage_options : dict, optional
        Of an object store.

    Returns
    -------
    list of Mended
        What was written; empty when the marker is whole.

    Raises
    ------
    ArchiveError
        When there is no archive at ``path``.
    """
    root = place_of(path, storage_options)
    marker = read_marker(root, both=True)
    where = layout.MARKER
    if marker is not None:
        if marker.version < layout.SEALED_FROM or not (marker.first or marker.second):
            return []
        write_marker(root, marker.version, marker.tables)
        return [Mended(where, True, "written again from its copy")]
    there = root.child(layout.TABLES).names()
    known = root.child(layout.MARKER).exists() or root.child(layout.COPIES, layout.MARKER).exists()
    if not there and not known:
        raise ArchiveError("there is no archive here", file=root)
    sealed_ones = any(root.child(layout.TABLES, n, layout.MANIFEST).exists() for n in there)
    if there and not sealed_ones:
        root.child(layout.MARKER).write(orjson.dumps({"schema_version": 1}))
        return [Mended(where, True, "written again: this is an archive of schema version 1")]
    write_marker(root, layout.SCHEMA_VERSION, tuple(table_names(root)))
    return [Mended(where, True, f"written again, with the {len(there)} tables that lie here")]


def repair(
    archive: Archive, findings: list[Finding] | None = None, *, drop: bool = False
) -> list[Mended]:
    """Mend what `verify` found, as far as it can be mended from the archive itself.

    Parameters
    ----------
    archive : Archive
        On a disk of this machine.
    findings : list of Finding, optional
        What `verify` returned just now; it is called when not given.
    drop : bool
        Do also what gives up rows of a table whose files are damaged.

    Returns
    -------
    list of Mended
        What was mended, and what could not be.

    Raises
    ------
    ArchiveError
        For an archive on an object store, or one that cannot be written.
    """
    if archive.place.folder is None:
        raise ArchiveError(
            "repair works on a disk: an object store cannot exchange two folders in one step",
            file=archive.place,
            todo="copy the archive to a disk first",
        )
    found = verify(archive) if findings is None else findings
    by_kind: dict[str, Callable[[Archive, Finding], Mended]] = {
        "staging": _clear,
        "raw-unused": _clear,
        "overview": _overview,
        "record": _record,
        "raw": _raw,
        "roll": _roll,
        "document": _document,
        "document-copy": _document,
        "document-digest": _document,
        "document-fresh": _document,
    }
    mended = []
    with archive.tables.writing():
        if any(f.kind == "marker" for f in found):
            mended += repair_marker(archive.place.url, archive.place.options)
        tables = {f.where.split("/")[1] for f in found if f.kind in TABLE_KINDS}
        if any(f.kind in ("catalogue", "record-fresh") for f in found):
            tables.add("sessions")
        for name in sorted(tables):
            done, what, drops = repair_table(archive, name, drop=drop)
            mended.append(Mended(f"{layout.TABLES}/{name}", done, what, drops))
        redone: set[tuple[str, str | None]] = set()
        for finding in found:
            mend = by_kind.get(finding.kind)
            key = (finding.kind, finding.session or finding.where)
            if mend is not None and finding.remedy == "repair" and key not in redone:
                redone.add(key)
                mended.append(mend(archive, finding))
        if not any(m.where == f"{layout.TABLES}/sessions" and not m.done for m in mended):
            mended += _adopt(archive)
    return mended


def _clear(archive: Archive, finding: Finding) -> Mended:
    folder = _folder(archive.place.child(*finding.where.split("/")))
    if finding.kind == "raw-unused":
        swap.set_aside(_root(archive), folder)
        return Mended(finding.where, True, "set aside: no session came of it")
    if durable.abandoned(folder):
        shutil.rmtree(folder, ignore_errors=True)
    return Mended(finding.where, True, "removed: half-done work of a run that was stopped")


def _document(archive: Archive, finding: Finding) -> Mended:
    """Write all three places of a document anew from what two of them agree on."""
    name = finding.where.partition("/")[2]
    if finding.kind in ("document-copy", "document-digest"):
        name = name.partition("/")[2]
    if finding.kind == "document-digest":
        name = name.removesuffix(".json")
    found = documents.look_at(archive.place, name)
    if found.content is not None:
        documents.write_document(archive.place, name, found.content)
        return Mended(finding.where, True, "written again: two of its three places agree")
    if found.unfinished:  # never acknowledged, and nothing of it is in its place
        for folder in (layout.COPIES, layout.DIGESTS):
            ending = ".json" if folder == layout.DIGESTS else ""
            archive.place.child(folder, layout.DOCUMENTS, name + ending).remove()
        return Mended(finding.where, True, "removed: half-done work of a run that was stopped")
    return Mended(finding.where, False, "no two of document, copy and digest agree")


def _roll(archive: Archive, finding: Finding) -> Mended:
    """Remove what told of a table in short; the next to ask reads the table."""
    remove_document(archive, finding.where.partition("/")[2])
    return Mended(finding.where, True, "removed: it is made again from its table")


def remove_document(archive: Archive, name: str) -> None:
    """Remove a document that is made again, from its three places."""
    archive.place.child(layout.DOCUMENTS, name).remove()
    archive.place.child(layout.COPIES, layout.DOCUMENTS, name).remove()
    archive.place.child(layout.DIGESTS, layout.DOCUMENTS, name + ".json").remove()
    archive.rolls.forget()


def _overview(archive: Archive, finding: Finding) -> Mended:
    """Make a session's overviews again from its samples, beside, and swap the folder in."""
    assert finding.session is not None
    folder = _folder(archive.session_place(finding.session))
    document = read_session_file(archive.session_place(finding.session))
    if document is None:
        return Mended(finding.where, False, "the session's record is lost: mend that first")
    samples = {f: d for f, d in document["files"].items() if not f.startswith(layout.OVERVIEWS)}
    if not _sound(folder, samples):
        return Mended(finding.where, False, "its samples are damaged too: rebuild")
    session = catalogue.session_of(document["record"])
    _renew(archive, session, folder, catalogue.earlier_names(document))
    return Mended(finding.where, True, "made again from the samples")


def _record(archive: Archive, finding: Finding) -> Mended:
    """Write a session's file again from the catalogue, after comparing its samples."""
    assert finding.session is not None
    folder = _folder(archive.session_place(finding.session))
    try:
        listed = archive.listed_document(finding.session)
        record = catalogue.session_of(listed)
        samples = {
            f: d
            for f, d in (listed.get(catalogue.FILES) or {}).items()
            if not f.startswith(layout.OVERVIEWS)
        }
        if not _sound(folder, samples):
            return Mended(finding.where, False, "its samples are damaged too: rebuild")
        for stream in record.channels:
            with fenced():
                pl.scan_parquet(folder / f"{stream}.parquet", glob=False).collect(
                    engine="streaming"
                )
    except (ArchiveError, OSError, ValueError, pl.exceptions.PolarsError) as error:
        return Mended(finding.where, False, f"its samples cannot be read: {first_line(error)}")
    _renew(archive, record, folder, catalogue.earlier_names(listed))
    return Mended(finding.where, True, "written again from the catalogue")


def _renew(archive: Archive, session: Session, folder: Path, earlier: Sequence[str]) -> None:
    """Make a session's overviews and its record anew beside, and swap the folder in.

    The samples are linked, so that they are in both folders until the swap.
    """
    with archive.staging() as staged:
        made = staged / "session"
        made.mkdir()
        for stream in session.channels:
            source, target = folder / f"{stream}.parquet", made / f"{stream}.parquet"
            try:
                target.hardlink_to(source)
            except OSError:
                shutil.copy2(source, target)
            write_overviews(target, made / layout.OVERVIEWS, stream)
        document = catalogue.session_document(session, publish.file_digests(made), earlier)
        (made / layout.RECORD).write_bytes(sealed(document))
        durable.sync_tree(made)
        swap.put_in_place(_root(archive), made, folder)
        row = catalogue.row(session, document)
        archive.tables.replace("sessions", row, "session", [session.session])


def _raw(archive: Archive, finding: Finding) -> Mended:
    """List a log's files again, where they match the digest that the folder is named after."""
    folder = _folder(archive.place.child(*finding.where.split("/")[:2]))
    files = sorted(p for p in folder.iterdir() if p.is_file() and p.name != layout.RAW_LIST)
    digests = [file_digest(p) for p in files]
    if not files or joined_digest(digests) != folder.name:
        return Mended(finding.where, False, "the log's files do not match its digest")
    content = publish.raw_list(files, digests)
    durable.write_whole(folder / layout.RAW_LIST, content)
    return Mended(finding.where, True, "listed again")


def _adopt(archive: Archive) -> list[Mended]:
    """List sessions that were stored whole but not yet listed; set aside the rest."""
    names = archive.tables.read("sessions", ("session",))["session"].to_list()
    known = set(names)
    withdrawn = archive.documents(WITHDRAWN)
    completed = {n.partition("/")[2].removesuffix(".json") for n in withdrawn}
    for earlier in archive.earlier().values():
        completed |= set(earlier)
    mended = []
    for name in archive.place.child(layout.SAMPLES).names():
        if name in known:
            continue
        place = archive.session_place(name)
        document = read_session_file(place)
        folder = _folder(place)
        where = f"{layout.SAMPLES}/{name}"
        whole = document is not None and _sound(folder, document["files"])
        if whole and document is not None and name not in completed:
            session = catalogue.session_of(document["record"])
            gone = catalogue.earlier_names(document)
            row = catalogue.row(session, document)
            archive.tables.replace("sessions", row, "session", [name, *gone])
            completed.update(gone)
            mended.append(Mended(where, True, "whole, now in the catalogue"))
        else:
            swap.set_aside(_root(archive), folder)
            what = (
                "withdrawn, or completed by another session"
                if whole
                else "not whole, ingest its log again"
            )
            mended.append(Mended(where, True, f"set aside: {what}"))
    return mended


def _sound(folder: Path, files: dict[str, dict[str, object]]) -> bool:
    return all(
        (folder / file).exists() and file_digest(folder / file) == noted["sha256"]
        for file, noted in files.items()
    )


def _root(archive: Archive) -> Path:
    return _folder(archive.place)


def _folder(place: Place) -> Path:
    assert place.folder is not None
    return place.folder
