"""Small named files, each kept twice, with a digest in a third place.

Any one of the three may be damaged or gone: the other two say what the
document is. A writer first notes beside the old digest the one to come, then
writes the copy, the document and the digest; where it was stopped, that note
tells its half-done work from damage.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Literal

from replay.archive import layout
from replay.archive.disk.place import Place
from replay.archive.disk.seal import sealed, unsealed
from replay.errors import ArchiveError, DamageError

Part = Literal["document", "copy", "digest"]


@dataclass(frozen=True, slots=True)
class Document:
    """What two of three places agree on."""

    name: str
    content: bytes | None
    """None when no two agree."""
    faults: tuple[tuple[Part, str], ...] = ()
    """Which of the three is not as it should be, and how."""
    unfinished: bool = False
    """A writer was stopped before it was done; the content may be the old or the new one."""

    @property
    def exists(self) -> bool:
        """Tell whether there is or was such a document."""
        return self.content is not None or bool(self.faults)


@dataclass(frozen=True, slots=True)
class _Noted:
    sha256: str | None
    next: str | None = None


def write_document(root: Place, name: str, content: bytes) -> None:
    """Write a document and its copy, whole or not at all, then its digest."""
    now, old = hashlib.sha256(content).hexdigest(), _noted(root, name)
    place = _digest_place(root, name)
    place.write(sealed({"sha256": old.sha256 if old is not None else None, "next": now}))
    root.child(layout.COPIES, layout.DOCUMENTS, name).write(content)
    root.child(layout.DOCUMENTS, name).write(content)
    place.write(sealed({"sha256": now}))


def read_document(root: Place, name: str) -> bytes:
    """Return a document's content as it was written.

    Raises
    ------
    ArchiveError
        When there is none; `DamageError` when no two of its places agree any more.
    """
    first = _read(root.child(layout.DOCUMENTS, name))
    noted = _noted(root, name)
    if first is not None and noted is not None and _sha256(first) == noted.sha256:
        return first
    found = look_at(root, name)
    if found.content is not None:
        return found.content
    place = root.child(layout.DOCUMENTS, name)
    if not found.exists:
        raise ArchiveError("no such document", file=place)
    raise DamageError(
        "its bytes changed since it was written, and its copy does not help",
        file=place,
        todo="`jointbook archive verify` says what is damaged",
    )


def stamp(root: Place, name: str) -> tuple[int, ...]:
    """Return what changes when a document or its digest is written anew, or harmed."""
    return *root.child(layout.DOCUMENTS, name).stamp(), *_digest_place(root, name).stamp()


def look_at(root: Place, name: str) -> Document:
    """Read all three places of a document and let two of them agree."""
    first = _read(root.child(layout.DOCUMENTS, name))
    second = _read(root.child(layout.COPIES, layout.DOCUMENTS, name))
    noted = _noted(root, name)
    if first is None and second is None and noted is None:
        return Document(name, None)
    if noted is not None and noted.next is not None:
        may_be = (noted.sha256, noted.next)
        if _sha256(first) in may_be and _sha256(second) in may_be:
            return Document(name, first, unfinished=True)
    digest = None if noted is None else noted.next or noted.sha256
    ones = {"document": _sha256(first), "copy": _sha256(second), "digest": digest}
    agreed = next(
        (d for d in ones.values() if d is not None and list(ones.values()).count(d) > 1), None
    )
    if agreed is None and first is not None and second is None and noted is None:
        agreed = ones["document"]  # kept by an earlier version of the program
    faults = tuple(
        (part, "missing" if digest is None else "its bytes changed since it was written")
        for part, digest in ones.items()
        if digest is None or digest != agreed
    )
    content = None
    if agreed is not None:
        content = first if ones["document"] == agreed else second
    return Document(name, content, faults)  # type: ignore[arg-type]


def names(root: Place, folder: str = "") -> list[str]:
    """Return the names of the documents below a folder, sorted, also of one whose file has gone."""
    there = set(_files(root.child(layout.DOCUMENTS, folder)))
    copied = set(_files(root.child(layout.COPIES, layout.DOCUMENTS, folder)))
    inside = f"{folder}/" if folder else ""
    gone = {n for n in copied - there if look_at(root, inside + n).content is not None}
    return sorted(inside + name for name in there | gone)


def all_names(root: Place) -> list[str]:
    """Return the names of all documents that lie in any of the three places."""
    found = set(_files(root.child(layout.DOCUMENTS)))
    found |= set(_files(root.child(layout.COPIES, layout.DOCUMENTS)))
    noted = _files(root.child(layout.DIGESTS, layout.DOCUMENTS))
    return sorted(found | {name.removesuffix(".json") for name in noted})


def _files(folder: Place) -> list[str]:
    return [n for n in folder.files() if not n.rpartition("/")[2].startswith(".part-")]


def _digest_place(root: Place, name: str) -> Place:
    return root.child(layout.DIGESTS, layout.DOCUMENTS, f"{name}.json")


def _noted(root: Place, name: str) -> _Noted | None:
    content = _read(_digest_place(root, name))
    found = unsealed(content) if content is not None else None
    return None if found is None else _Noted(found["sha256"], found.get("next"))


def _read(place: Place) -> bytes | None:
    try:
        return place.read()
    except OSError:
        return None


def _sha256(content: bytes | None) -> str | None:
    return None if content is None else hashlib.sha256(content).hexdigest()
