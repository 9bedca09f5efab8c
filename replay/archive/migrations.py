"""Bring an archive of an older schema version up to this program's.

One function a step, each from its version to the next. A step may be run again
after it was stopped half-way: it changes only what is still old, and the marker
is written last. What it makes is built beside and swapped in; what was there
stays in ``set-aside/``. To add one, write ``_from_N`` and list it in `STEPS`.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import orjson
import polars as pl

from replay.archive import catalogue, documents, layout
from replay.archive.care.repair_tables import sound_rows, swap_in
from replay.archive.care.verify_tables import held_without_manifest
from replay.archive.disk import durable, publish, swap
from replay.archive.disk.place import place_of
from replay.archive.disk.seal import sealed, unsealed
from replay.archive.marker import write_marker
from replay.archive.migration_of_unit_keys import rename_units
from replay.archive.samples.overview import write_overviews
from replay.archive.samples.pieces import noted_of
from replay.archive.samples.raw_logs import read_raw_list
from replay.archive.store import Archive, schema_version
from replay.archive.tables import copies
from replay.archive.tables.commits import log_marks
from replay.archive.tables.manifest import Mark, mark, read_manifest, write_manifest
from replay.digests import file_digest
from replay.errors import ArchiveError


def migrate(path: str | Path) -> list[int]:
    """Migrate the archive at ``path`` and return the versions it went through.

    Parameters
    ----------
    path : str or Path
        Folder of the archive.

    Returns
    -------
    list of int
        The schema versions that were passed, empty when it was up to date.

    Raises
    ------
    ArchiveError
        When there is no archive, when it is newer than this program, or when
        it is not on a disk.
    """
    root = place_of(path)
    if not root.child(layout.MARKER).exists():
        raise ArchiveError("there is no archive here", file=root)
    if root.folder is None:
        raise ArchiveError("migration works on a disk", file=root, todo="copy the archive first")
    version = schema_version(root)
    if version > layout.SCHEMA_VERSION:
        raise ArchiveError(f"schema version {version} is newer than this program", file=root)
    archive = Archive(root)
    passed = []
    with archive.tables.writing():
        while version < layout.SCHEMA_VERSION:
            if version not in STEPS:
                raise ArchiveError(f"no way leads on from schema version {version}", file=root)
            STEPS[version](archive)
            version += 1
            if version < layout.SEALED_FROM:
                root.child(layout.MARKER).write(orjson.dumps({"schema_version": version}))
            else:
                names = root.child(layout.TABLES).names()
                vouched = [
                    n for n in names if read_manifest(root.child(layout.TABLES, n)) is not None
                ]
                write_marker(root, version, tuple(vouched))
            passed.append(version)
    return passed


def _from_0(archive: Archive) -> None:
    """Give sessions their record file and overviews, and logs their list of files.

    Version 0 had only samples, logs and tables.
    """
    for name in archive.tables.read("sessions", ("session",))["session"]:
        folder = archive.root / layout.SAMPLES / name
        if not folder.is_dir() or _plain(folder / layout.RECORD) is not None:
            continue
        record = archive.listed_record(name)
        with archive.staging() as staged:
            made = staged / layout.OVERVIEWS
            made.mkdir()
            for stream in record.channels:
                write_overviews(folder / f"{stream}.parquet", made, stream)
            durable.sync_tree(made)
            swap.put_in_place(archive.root, made, folder / layout.OVERVIEWS)
        document = catalogue.session_document(record, publish.file_digests(folder))
        durable.write_whole(folder / layout.RECORD, orjson.dumps(document))
    for sha256 in archive.place.child(layout.RAW).names():
        place = archive.place.child(layout.RAW, sha256)
        folder = archive.root / layout.RAW / sha256
        if read_raw_list(place) is not None:
            continue
        files = sorted(folder.iterdir())
        content = publish.raw_list(files, [file_digest(p) for p in files])
        durable.write_whole(folder / layout.RAW_LIST, content)


def _from_2(archive: Archive) -> None:
    """Put what is noted of files under seal; keep what people gave a second time.

    Versions before had lists of digests (``digests/<name>.ndjson``) without a seal
    and no manifests; rows that people wrote had no place in an order but the
    clock's and that of their files.
    """
    root = archive.root
    for name in archive.place.child(layout.TABLES).names():
        _vouch_for_table(archive, name)
    noted = _old_digests(root, layout.DOCUMENTS)
    for name in archive.place.child(layout.DOCUMENTS).files():
        _vouch_for_document(root, name, noted.get(name))
    listed = archive.tables.read("sessions")
    known = {}
    for name in archive.place.child(layout.SAMPLES).names():
        document = _seal_record(root / layout.SAMPLES / name)
        if document is not None:
            known[name] = document
    if listed.height:
        rows = [
            catalogue.row(catalogue.session_of(json.loads(record)), known.get(name))
            for name, record in zip(listed["session"], listed["record"], strict=True)
        ]
        swap_in(archive, root, "sessions", pl.concat(rows), 0)
    for ledger in sorted((root / layout.DIGESTS).glob("*.ndjson")):
        swap.set_aside(root, ledger)


def _vouch_for_table(archive: Archive, name: str) -> None:
    place = archive.place.child(layout.TABLES, name)
    folder = archive.root / layout.TABLES / name
    if not any((folder / layout.LOG).glob("*.json")):
        return
    manifest = read_manifest(place)
    if manifest is not None and manifest.entries:
        return  # done before this step was stopped
    held = manifest if manifest is not None else held_without_manifest(archive.place, place)
    noted = _old_digests(archive.root, name)
    files = {file: _marked(folder / file, m, noted.get(file)) for file, m in held.files.items()}
    if name in copies.GROWING:
        frames, lost = sound_rows(folder, files)
        if lost:  # older files hold the same rows
            strays = sorted({p.name for p in folder.glob("*.parquet")} - set(files))
            frames += sound_rows(folder, dict.fromkeys(strays))[0]
        rows = pl.concat(frames, how="diagonal_relaxed") if frames else pl.DataFrame()
        rows = rows.unique(maintain_order=True) if rows.height else rows
        if "at" in rows.columns and len(files) < held.version + 1:  # merged: no order but time's
            rows = rows.sort("at", maintain_order=True)
        swap_in(archive, archive.root, name, copies.numbered(rows, 0), rows.height)
        return
    write_manifest(place, replace(held, files=files, log=log_marks(folder, {})))


def _marked(path: Path, held: Mark, noted: str | None) -> Mark:
    """Return a file's mark; one that was noted when it was written keeps that digest."""
    if noted is not None:
        return Mark(held.size, noted)
    return mark(path.read_bytes()) if path.exists() else held


def _vouch_for_document(root: Path, name: str, noted: str | None) -> None:
    place = place_of(root)
    if documents.look_at(place, name).faults == ():
        return
    content = (root / layout.DOCUMENTS / name).read_bytes()
    if noted is None or mark(content).sha256 == noted:
        documents.write_document(place, name, content)
    else:  # damaged before it was migrated: it stays known as that
        digest = root / layout.DIGESTS / layout.DOCUMENTS / f"{name}.json"
        durable.make_dirs(digest.parent)
        durable.write_whole(digest, sealed({"sha256": noted}))


def _seal_record(folder: Path) -> dict[str, Any] | None:
    """Put a session's record under seal, with the check sums of the pieces of its files."""
    path = folder / layout.RECORD
    try:
        content = path.read_bytes()
    except OSError:
        return None
    if (document := unsealed(content)) is not None:
        return document
    document = _plain(path)
    if document is None:
        return None
    files = {}
    for file, noted in document["files"].items():
        files[file] = noted
        if (folder / file).is_file():
            now = noted_of(folder / file)
            files[file] = now if now["sha256"] == noted["sha256"] else noted
    document = {"record": document["record"], catalogue.FILES: files, catalogue.INSTEAD_OF: []}
    durable.write_whole(path, sealed(document))
    return document


def _plain(path: Path) -> dict[str, Any] | None:
    """Return a record without a seal, or None when there is none."""
    try:
        document = json.loads(path.read_bytes())
        _ = document["record"]["session"], document["record"]["channels"], document["files"].items()
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None
    return dict(document)


def _old_digests(root: Path, ledger: str) -> dict[str, str]:
    """Return the digests that older versions noted; the last of a file counts."""
    path = root / layout.DIGESTS / f"{ledger}.ndjson"
    noted = {}
    for line in path.read_bytes().splitlines() if path.exists() else ():
        try:
            item = json.loads(line)
            noted[item["file"]] = item["sha256"]
        except (ValueError, KeyError, TypeError):  # a line cut by a kill: its file is newer
            continue
    return noted


STEPS: dict[int, Callable[[Archive], None]] = {0: _from_0, 1: rename_units, 2: _from_2}
"""By the version they start from."""
