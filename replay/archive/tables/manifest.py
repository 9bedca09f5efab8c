"""What a table holds as of its last commit: its files, each with its digest and its bounds.

The commit log says the same to other engines. The manifest says it in one
small sealed file that is written after the log, so whoever reads both can
tell a commit that has gone from one that was never made, and a table whose
log has gone still knows its rows.

A commit counts for readers once its file lies in the log; it was
acknowledged to its writer once the manifest names it.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any
from urllib.parse import unquote

from replay.archive import layout
from replay.archive.disk.place import Place
from replay.archive.disk.seal import sealed, unsealed
from replay.archive.tables.bounds import Bounds, bounds_of_file, read_bounds

TRIES = 8
"""A commit that is listed is read so often at most, 1.4 s in all."""


@dataclass(frozen=True, slots=True)
class Mark:
    """What a file is when it is what was written."""

    size: int
    """Its length in bytes."""
    sha256: str | None = None
    """None for a file that no manifest vouches for yet."""
    bounds: Bounds | None = None
    """Between which values its rows lie; None where that is not known, and for other files."""

    def vouches_for(self, content: bytes) -> bool:
        """Tell whether a content is what was written, as far as is known."""
        if len(content) != self.size:
            return False
        return self.sha256 is None or hashlib.sha256(content).hexdigest() == self.sha256


@dataclass(frozen=True, slots=True)
class Manifest:
    """What one commit of a table holds."""

    version: int
    files: Mapping[str, Mark] = field(default_factory=dict)
    """The files with its rows, oldest first."""
    log: Mapping[str, Mark] = field(default_factory=dict)
    """The files of its log that another engine needs."""
    entries: int = 0
    """How many rows people wrote into it; the next one's number."""
    head: Mapping[str, Any] = field(default_factory=dict)
    """Delta's own `protocol` and `metaData` actions in force."""


HEAD = ("protocol", "metaData")


class TornCommit(ValueError):
    """A commit's file is not whole."""


def read_manifest(table: Place) -> Manifest | None:
    """Return a table's manifest; None when there is none that can be believed."""
    place = table.child(layout.MANIFEST)
    try:
        found = unsealed(place.read()) if place.exists() else None
    except OSError:
        return None
    if found is None:
        return None
    return Manifest(
        found["version"],
        _marks(found["files"], found.get("bounds", {}), found.get("later_bounds", {})),
        _marks(found["log"]),
        found["entries"],
        found["head"],
    )


def write_manifest(table: Place, manifest: Manifest) -> None:
    """Write a table's manifest, whole or not at all."""
    table.child(layout.MANIFEST).write(manifest_bytes(manifest))


def manifest_bytes(manifest: Manifest) -> bytes:
    """Return a manifest's file."""
    return sealed(
        {
            "version": manifest.version,
            "files": [[n, m.size, m.sha256] for n, m in manifest.files.items()],
            "bounds": {
                n: m.bounds.written() for n, m in manifest.files.items() if m.bounds is not None
            },
            "later_bounds": {
                n: kept
                for n, m in manifest.files.items()
                if m.bounds is not None and (kept := m.bounds.written(later=True))[1]
            },
            "log": [[n, m.size, m.sha256] for n, m in manifest.log.items()],
            "entries": manifest.entries,
            "head": dict(manifest.head),
        }
    )


def commit_name(version: int) -> str:
    """Return the name of a commit's file in the log."""
    return f"{version:020d}.json"


def mark(content: bytes) -> Mark:
    """Return the mark of a file's content."""
    return Mark(len(content), hashlib.sha256(content).hexdigest())


def file_mark(content: bytes) -> Mark:
    """Return the mark of a file of rows, with its bounds."""
    return replace(mark(content), bounds=bounds_of_file(content))


def following(table: Place, known: Manifest) -> Manifest:
    """Return what the table holds after the commits that came since ``known``.

    Raises
    ------
    TornCommit
        When one of them is not whole.
    """
    version, files, head = known.version, dict(known.files), dict(known.head)
    while (commit := table.child(layout.LOG, commit_name(version + 1))).exists():
        content = _listed(commit)
        if content is None:
            break
        version += 1
        for action in actions(content):
            head |= {key: action[key] for key in HEAD if key in action}
            if removed := action.get("remove"):
                files.pop(unquote(removed["path"]), None)
            if added := action.get("add"):
                files[unquote(added["path"])] = Mark(int(added["size"]))
    if version == known.version:
        return known
    return Manifest(version, files, known.log, known.entries, head)


def _listed(commit: Place) -> bytes | None:
    """Return a commit that is listed; None where it is not there after all.

    Another writer's may be listed a moment before it can be read.
    """
    for attempt in range(TRIES):
        try:
            return commit.read()
        except FileNotFoundError:
            time.sleep(0.02 * 1.6**attempt)
            if not commit.exists():
                return None
    return commit.read()


def actions(commit: bytes) -> list[dict[str, Any]]:
    """Return the actions of a commit; TornCommit when it is not whole."""
    try:
        found = [json.loads(line) for line in commit.splitlines()]
        if not found or not all(isinstance(action, dict) for action in found):
            raise TornCommit("a commit was cut short, as by a power cut")
    except ValueError as error:
        raise TornCommit("a commit was cut short, as by a power cut") from error
    return found


def _marks(
    listed: list[list[Any]],
    bounds: Mapping[str, Any] | None = None,
    later: Mapping[str, Any] | None = None,
) -> dict[str, Mark]:
    known, more = bounds or {}, later or {}
    return {
        name: Mark(
            size, sha256, read_bounds(known[name], more.get(name)) if name in known else None
        )
        for name, size, sha256 in listed
    }
