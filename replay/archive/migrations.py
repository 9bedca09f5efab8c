"""Bring an archive of an older schema version up to this program's.

One function a step, each from its version to the next. A step may be run again
after it was stopped half-way: it changes only what is still old, and the marker
is written last. To add one, write ``_from_N`` and list it in `STEPS`.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

from replay.archive import catalogue, durable, layout, publish
from replay.archive.overview import write_overviews
from replay.archive.place import place_of
from replay.archive.store import Archive, schema_version
from replay.archive.unit_keys import rename_units
from replay.archive.verify import read_raw_list, read_session_file
from replay.errors import ArchiveError


def migrate(path: str | Path) -> list[int]:
    """Migrate the archive at ``path`` and return the versions it went through.

    Raises
    ------
    ArchiveError
        When there is no archive, when it is newer than this program, or when
        it is not on a disk.
    """
    root = place_of(path)
    marker = root.child(layout.MARKER)
    if not marker.exists():
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
            marker.write(json.dumps({"schema_version": version}).encode())
            passed.append(version)
    return passed


def _from_0(archive: Archive) -> None:
    """Give sessions their record file and overviews, and logs their list of files.

    Version 0 had only samples, logs and tables.
    """
    for name in archive.tables.read("sessions", ("session",))["session"]:
        place = archive.session_place(name)
        folder = place.folder
        if folder is None or read_session_file(place) is not None:
            continue
        record = archive.session(name)
        for stream in record.channels:
            write_overviews(folder / f"{stream}.parquet", folder / layout.OVERVIEWS, stream)
        content = catalogue.session_file(record, publish.file_digests(folder))
        durable.write_whole(folder / layout.RECORD, content)
    for sha256 in archive.place.child(layout.RAW).names():
        place = archive.place.child(layout.RAW, sha256)
        folder = place.folder
        if folder is None or read_raw_list(place) is not None:
            continue
        listed = [
            {"file": p.name, "sha256": durable.digest(p), "bytes": p.stat().st_size}
            for p in sorted(folder.iterdir())
        ]
        content = json.dumps({"files": listed}, indent=1).encode()
        durable.write_whole(folder / layout.RAW_LIST, content)


STEPS: dict[int, Callable[[Archive], None]] = {0: _from_0, 1: rename_units}
"""By the version they start from."""
