"""The one shape that a bundle's file may have, so that no byte of it is free.

A bundle is a zip whose members are stored, not packed, in a fixed order, with
fixed dates and attributes, and nothing between or behind them. Such a file is
made by its names and contents alone, so it can be made again and compared: a
changed byte is found wherever it is, in the container as well as in a member.
Stored members also cannot grow when they are taken out, and since each name is
plain none can climb out of where it is put.

The format is PKWARE's APPNOTE.TXT, 6.3.x, as Python's zipfile writes it.
"""

from __future__ import annotations

import hashlib
import os
import re
import struct
import tempfile
import zipfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from replay.errors import JointbookError

MOST_MEMBERS = 10_000
CHUNK = 1 << 20

_PLAIN = re.compile(r"[^/\\:\x00-\x1f\x7f]+")
_BROKEN = (
    zipfile.BadZipFile, EOFError, OSError, ValueError, RuntimeError, OverflowError, struct.error,
)  # fmt: skip
"""What reading a zip file raises whose numbers make no sense."""
_ODD = "made by something else, or packed again, or changed"


class BundleError(JointbookError):
    """A bundle cannot be made, or is not one that can be looked at."""


Content = bytes | Path
"""What a member holds: bytes, or a file to copy."""


def write(path: Path, members: Iterable[tuple[str, Content]]) -> None:
    """Write a bundle's file; the same members make the same bytes."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as made:
        for name, content in members:
            refuse_odd_name(name)
            _add(made, name, content)


def refuse_odd_name(name: str) -> None:
    """Raise BundleError unless a member's name is a plain path below its folder."""
    parts = name.split("/")
    if not all(_PLAIN.fullmatch(p) and p.strip(". ") for p in parts) or len(name) > 1000:
        raise BundleError(
            f"a member is called {name[:200]!r}, which could be put outside its folder",
            todo="do not unpack this file",
        )


class Members:
    """The members of a bundle's file that was found to have the one shape."""

    def __init__(self, opened: zipfile.ZipFile, path: Path) -> None:
        self._opened = opened
        self.path = path
        self.names: tuple[str, ...] = tuple(opened.namelist())

    def read(self, name: str, *, most: int = 256 << 20) -> bytes:
        """Return a member's bytes; BundleError when it is missing or longer than expected."""
        try:
            found = self._opened.getinfo(name)
        except KeyError:
            raise BundleError(f"{name!r} is missing", file=self.path) from None
        if found.file_size > most:
            raise BundleError(f"{name!r} has {found.file_size:,} bytes", file=self.path)
        with self.opened(name) as handle:
            return handle.read()

    @contextmanager
    def opened(self, name: str) -> Iterator[IO[bytes]]:
        """Read a member as a file."""
        try:
            with self._opened.open(name) as handle:
                yield handle
        except _BROKEN as error:
            raise BundleError(f"{name!r} is not what was put in: {error}", file=self.path) from None

    def sha256(self, name: str) -> str:
        """Return a member's digest; empty where its content is broken."""
        running = hashlib.sha256()
        try:
            with self.opened(name) as handle:
                while piece := handle.read(CHUNK):
                    running.update(piece)
        except BundleError:
            return ""
        return running.hexdigest()

    def take(self, name: str, target: Path) -> Path:
        """Copy a member to a file."""
        with self.opened(name) as source, target.open("wb") as handle:
            while piece := source.read(CHUNK):
                handle.write(piece)
        return target


@contextmanager
def members(path: Path) -> Iterator[Members]:
    """Open a bundle's file after a look at its names and sizes.

    Raises
    ------
    BundleError
        It is no zip, cut short, packed, has odd names, or claims more than it holds.
    """
    try:
        opened = zipfile.ZipFile(path)
    except FileNotFoundError:
        raise BundleError("no such file", file=path) from None
    except _BROKEN as error:
        raise BundleError(
            f"this is not a whole zip file: {error}",
            file=path,
            todo="it may have been cut short; get it again",
        ) from None
    with opened:
        _refuse_odd_members(opened, path)
        yield Members(opened, path)


def odd_bytes(path: Path, found: Members) -> str:
    """Say whether the file is what its members make, to the byte; empty when it is.

    Members whose own content is broken are told by their digests.
    """
    with tempfile.TemporaryDirectory(prefix="jointbook-") as folder:
        again = Path(folder, "again.zip")
        try:
            with zipfile.ZipFile(again, "w", zipfile.ZIP_STORED) as made:
                for name in found.names:
                    _add(made, name, found.take(name, Path(folder, "member")))
        except BundleError as error:
            return error.sentence()
        if again.stat().st_size != path.stat().st_size:
            return f"the container has bytes of its own: {_ODD}"
        with again.open("rb") as mine, path.open("rb") as other:
            at = 0
            while piece := mine.read(CHUNK):
                theirs = other.read(CHUNK)
                if piece != theirs:
                    first = next(k for k, (a, b) in enumerate(zip(piece, theirs)) if a != b)  # noqa: B905
                    return f"the container differs at byte {at + first:,}: {_ODD}"
                at += len(piece)
    return ""


def _refuse_odd_members(opened: zipfile.ZipFile, path: Path) -> None:
    listed = opened.infolist()
    if len(listed) > MOST_MEMBERS:
        raise BundleError(f"it has {len(listed):,} members", file=path, todo="do not unpack it")
    names = [item.filename for item in listed]
    if len(set(names)) != len(names):
        raise BundleError("two members have one name", file=path, todo="do not unpack it")
    for item in listed:
        refuse_odd_name(item.filename)
        if item.compress_type != zipfile.ZIP_STORED or item.compress_size != item.file_size:
            raise BundleError(
                f"{item.filename!r} is packed; a bundle's members are not: {_ODD}",
                file=path,
                todo="get the file as it was made",
            )
    if sum(item.file_size for item in listed) > path.stat().st_size:
        raise BundleError(
            "its members claim more bytes than the file has", file=path, todo="do not unpack it"
        )


def _add(made: zipfile.ZipFile, name: str, content: Content) -> None:
    item = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
    item.create_system, item.external_attr = 3, 0o644 << 16
    if isinstance(content, bytes):
        made.writestr(item, content)
        return
    item.file_size = content.stat().st_size  # known beforehand, so that long ones get their room
    with content.open("rb") as source, made.open(item, "w") as target:
        while piece := source.read(CHUNK):
            target.write(piece)


def replaced(temporary: Path, target: Path) -> None:
    """Put a finished file in its place at once."""
    with temporary.open("rb") as handle:
        os.fsync(handle.fileno())
    os.replace(temporary, target)
