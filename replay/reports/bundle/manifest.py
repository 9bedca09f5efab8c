"""The list of what is in a bundle: each file's digest, length and meaning."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from replay.record.entries import stamp
from replay.reports.bundle.container import BundleError
from replay.reports.provenance import surroundings

NAME, SIGNATURE, README = "manifest.json", "manifest.sig", "README.txt"
FORMAT = "jointbook evidence 1"
MOST_BYTES = 16 << 20


@dataclass(frozen=True, slots=True)
class Listed:
    """One file of a bundle."""

    sha256: str
    size: int
    about: str


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a bundle says of itself; ``finding`` is None for a whole session's."""

    session: str
    finding: str | None
    made_at: str
    made_with: dict[str, str]
    files: dict[str, Listed]
    notes: tuple[str, ...]


def made(
    session: str, finding: str | None, files: dict[str, Listed], notes: tuple[str, ...]
) -> Manifest:
    """Return the manifest of a bundle that is made now, here."""
    return Manifest(session, finding, stamp(datetime.now(UTC)), surroundings(), files, notes)


def text_of(manifest: Manifest) -> bytes:
    """Return a manifest as the bytes that are kept and signed."""
    said = {
        "format": FORMAT,
        "session": manifest.session,
        "finding": manifest.finding,
        "made_at": manifest.made_at,
        "made_with": manifest.made_with,
        "notes": list(manifest.notes),
        "files": {
            name: {"sha256": f.sha256, "bytes": f.size, "about": f.about}
            for name, f in manifest.files.items()
        },
    }
    return json.dumps(said, indent=1, sort_keys=True, ensure_ascii=False).encode() + b"\n"


def read(content: bytes) -> Manifest:
    """Return the manifest of some bytes.

    Raises
    ------
    BundleError
        They are no manifest, of another format, or not spelled as one is.
    """
    try:
        said: dict[str, Any] = json.loads(content)
        if said["format"] != FORMAT:
            raise BundleError(
                f"the bundle is of format {str(said['format'])[:60]!r}, this program reads "
                f"{FORMAT!r}",
                todo="use the jointbook that made it, or a newer one",
            )
        found = Manifest(
            session=_words(said["session"]),
            finding=None if said["finding"] is None else _words(said["finding"]),
            made_at=_words(said["made_at"]),
            made_with={_words(k): _words(v) for k, v in said["made_with"].items()},
            files={
                _words(n): Listed(_words(f["sha256"]), int(f["bytes"]), _words(f["about"]))
                for n, f in said["files"].items()
            },
            notes=tuple(_words(n) for n in said["notes"]),
        )
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise BundleError("the manifest is not one", todo="get the bundle again") from None
    if text_of(found) != content:
        raise BundleError("the manifest was written by something else, or changed")
    return found


def _words(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError
    return value
