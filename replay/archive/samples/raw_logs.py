"""Logs as they came: compared with their digests, and put back from the same log given again.

A log lies under the digest of what it holds, so the very same octets can take
the place of damaged ones without a question.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from replay.archive import layout
from replay.archive.care.findings import CHANGED, Finding
from replay.archive.care.verify_tables import digest_of, file_fault
from replay.archive.disk import publish
from replay.archive.disk.place import Place
from replay.digests import joined_digest

_PIECE = 1 << 22


def raw_place(root: Place, sha256: str) -> Place:
    """Return where a log lies."""
    return root.child(layout.RAW, sha256)


def read_raw_list(place: Place) -> list[dict[str, Any]] | None:
    """Return what ``raw.json`` lists, in reading order, or None."""
    try:
        listed = list(json.loads(place.child(layout.RAW_LIST).read())["files"])
        return [
            {"file": str(i["file"]), "sha256": str(i["sha256"]), "bytes": int(i["bytes"])}
            for i in listed
        ]
    except (OSError, ValueError, KeyError, TypeError):
        return None


def check_raw(root: Place, sha256: str) -> list[Finding]:
    """Look at one log as it came."""
    place = raw_place(root, sha256)
    where = f"{layout.RAW}/{sha256}"
    listed = read_raw_list(place)
    if listed is None:
        return [Finding("raw", "damage", where, f"{layout.RAW_LIST} is missing", "repair")]
    if joined_digest([item["sha256"] for item in listed]) != sha256:
        return [Finding("raw", "damage", where, f"{layout.RAW_LIST}: {CHANGED}", "repair")]
    findings = []
    for item in listed:
        file = place.child(item["file"])
        fault = file_fault(file, item["bytes"], item["sha256"])
        if fault and file.exists() and digest_of(file) == item["sha256"]:  # its length is wrong
            return [Finding("raw", "damage", where, f"{layout.RAW_LIST}: {CHANGED}", "repair")]
        if fault:
            findings.append(
                Finding("raw", "damage", f"{where}/{item['file']}", fault, "ingest the log again")
            )
    return findings


def is_sound(root: Place, sha256: str) -> bool:
    """Tell whether a log lies here as it came."""
    return raw_place(root, sha256).exists() and not check_raw(root, sha256)


def begins(root: Place, sha256: str, path: Path) -> bool:
    """Tell whether a log of one file is the beginning of a longer one at ``path``."""
    place = raw_place(root, sha256).child(path.name)
    if not place.exists() or place.size() >= path.stat().st_size:
        return False
    with place.open() as old, path.open("rb") as new:
        while piece := old.read(_PIECE):
            if new.read(len(piece)) != piece:
                return False
    return True


def copied(folder: Path, sources: Sequence[Path], sha256: str) -> Path | None:
    """Copy a log's files below ``folder`` for a place of that digest; None if they are others."""
    kept, found = publish.copy_raw(folder, sources)
    return kept if found == sha256 else None
