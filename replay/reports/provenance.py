"""What a report or a bundle rests on: versions, and the digests of what was read."""

from __future__ import annotations

import hashlib
import platform
from importlib.metadata import PackageNotFoundError, version

from replay.archive import Archive
from replay.errors import ArchiveError, DamageError
from replay.record import open_record
from replay.records import Session

LIBRARIES = ("polars", "numpy", "scipy", "scikit-learn", "pyarrow")
"""Those whose arithmetic or reading can change a figure in its last bits."""


def program() -> str:
    """Return the program's version."""
    return _version("jointbook")


def surroundings() -> dict[str, str]:
    """Return versions of program, Python and the libraries that compute, and the machine."""
    return {
        "jointbook": program(),
        "python": platform.python_version(),
        **{name: _version(name) for name in LIBRARIES},
        "machine": f"{platform.system()} {platform.machine()}",
    }


def digest(content: bytes) -> str:
    """Return the SHA-256 of some bytes in hexadecimal."""
    return hashlib.sha256(content).hexdigest()


def baseline_document(archive: Archive, baseline: str) -> tuple[str, bytes] | None:
    """Return a baseline's document and its name in the archive; None where it has gone."""
    name = f"baselines/{baseline}.json"
    try:
        return name, archive.read_document(name)
    except DamageError:
        raise
    except ArchiveError:
        return None


def digests(archive: Archive, record: Session, baseline: str) -> list[tuple[str, str]]:
    """Return (what, SHA-256) of everything a session's review rests on."""
    found = [("log as it came", record.raw_sha256 or "not kept")]
    noted = archive.digests(record.session)
    found += [(f"cleaned {file}", sha256) for file, sha256 in noted.items() if "/" not in file]
    found += [
        (what, digest(text.encode()))
        for what, text in (("log map", record.map_toml), ("arm file", record.arm_toml))
        if text
    ]
    kept = baseline_document(archive, baseline) if baseline else None
    if baseline:
        found.append((f"baseline {baseline}", digest(kept[1]) if kept else "not in the archive"))
    seq, head = open_record(archive).head()
    found.append((f"record, entry {seq}", head))
    return found


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "unknown"
