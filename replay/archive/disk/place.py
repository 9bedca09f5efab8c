"""Where an archive lies: a folder on a disk, or a URL of an object store.

The rest of the room speaks to a `Place` and does not ask which. A folder has
locks, atomic renames and a disk that is told to keep what it was given
(fsync); an object store has none of these, but each of its writes is whole.
Neither needs more for safety: nothing counts before the catalogue's commit.

Longer than 245 lines because the disk's and the object store's answers to one protocol are read
side by side.
"""

from __future__ import annotations

import os
import re
import secrets
import shutil
import tempfile
from pathlib import Path
from typing import Any, Protocol
from urllib.parse import urlsplit

import polars as pl
import pyarrow.parquet as pq

from replay.archive.disk import durable


class Place(Protocol):
    """A file or folder of an archive."""

    @property
    def url(self) -> str:
        """Path or URL, as polars and Delta take it."""

    @property
    def options(self) -> dict[str, str] | None:
        """Storage options for polars and Delta; None on a disk."""

    @property
    def folder(self) -> Path | None:
        """The path on this machine's disk, or None."""

    def child(self, *parts: str) -> Place:
        """Return the place below this one."""

    def exists(self) -> bool:
        """Tell whether there is such a file or folder."""

    def size(self) -> int:
        """Return a file's length in bytes."""

    def stamp(self) -> tuple[int, int]:
        """Return what changes when a file is written anew; zeros when there is none."""

    def read(self) -> bytes:
        """Return a file's content."""

    def write(self, content: bytes) -> None:
        """Write a file, whole or not at all."""

    def names(self) -> list[str]:
        """Return what lies directly in this folder, sorted; nothing when it is not there."""

    def files(self) -> list[str]:
        """Return the files below this folder, as relative names, sorted."""

    def remove(self) -> None:
        """Delete the file or folder, if it is there."""

    def take(self, folder: Path) -> None:
        """Put a local folder here, in place of what is here."""

    def scan(self) -> pl.LazyFrame:
        """Scan a Parquet file."""

    def footer(self) -> pq.FileMetaData:
        """Return a Parquet file's metadata."""

    def open(self) -> Any:
        """Open a file for reading in bytes."""


class DiskPlace:
    """A path on this machine."""

    options: dict[str, str] | None = None

    def __init__(self, path: Path) -> None:
        self.path = path

    def __str__(self) -> str:
        return str(self.path)

    @property
    def url(self) -> str:
        """The path."""
        return str(self.path)

    @property
    def folder(self) -> Path | None:
        """The path."""
        return self.path

    def child(self, *parts: str) -> DiskPlace:
        """Return the place below this one."""
        return DiskPlace(self.path.joinpath(*parts))

    def exists(self) -> bool:
        """Tell whether there is such a file or folder."""
        return self.path.exists()

    def size(self) -> int:
        """Return a file's length in bytes."""
        return self.path.stat().st_size

    def stamp(self) -> tuple[int, int]:
        """Return the file's number and time of change."""
        try:
            found = self.path.stat()
        except OSError:
            return 0, 0
        return found.st_ino, found.st_mtime_ns

    def read(self) -> bytes:
        """Return a file's content."""
        return self.path.read_bytes()

    def write(self, content: bytes) -> None:
        """Write a file, whole or not at all."""
        durable.make_dirs(self.path.parent)
        durable.write_whole(self.path, content)

    def names(self) -> list[str]:
        """Return what lies directly in this folder, sorted."""
        return sorted(p.name for p in self.path.iterdir()) if self.path.is_dir() else []

    def files(self) -> list[str]:
        """Return the files below this folder, as relative names, sorted."""
        return sorted(str(p.relative_to(self.path)) for p in self.path.rglob("*") if p.is_file())

    def remove(self) -> None:
        """Delete the file or folder, if it is there."""
        if self.path.is_dir():
            shutil.rmtree(self.path)
        else:
            self.path.unlink(missing_ok=True)

    def take(self, folder: Path) -> None:
        """Rename a folder of the same disk to here; what was here goes first."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        if self.path.exists():
            aside = Path(tempfile.mkdtemp(dir=folder.parent, prefix="aside-"))
            os.replace(self.path, aside / self.path.name)
        os.replace(folder, self.path)
        durable.sync(self.path.parent)

    def scan(self) -> pl.LazyFrame:
        """Scan a Parquet file."""
        return pl.scan_parquet(self.path, glob=False)

    def footer(self) -> pq.FileMetaData:
        """Return a Parquet file's metadata."""
        return pq.read_metadata(self.path)

    def open(self) -> Any:
        """Open a file for reading in bytes."""
        return self.path.open("rb")


class StorePlace:
    """A key of an object store, by URL (``s3://bucket/archive``)."""

    folder: Path | None = None

    def __init__(
        self, base: str, options: dict[str, str] | None, key: str = "", filesystem: Any = None
    ) -> None:
        self._base = base.rstrip("/")
        self._key = key
        self.options = options
        self._store = _filesystem(self._base, options) if filesystem is None else filesystem

    def __str__(self) -> str:
        return self.url

    @property
    def url(self) -> str:
        """The URL."""
        return f"{self._base}/{self._key}" if self._key else self._base

    def child(self, *parts: str) -> StorePlace:
        """Return the place below this one."""
        key = "/".join(p for p in (self._key, *parts) if p)
        return StorePlace(self._base, self.options, key, self._store)

    def exists(self) -> bool:
        """Tell whether there is an object of this name or below it."""
        from pyarrow.fs import FileType

        if self._store.get_file_info(self._key).type == FileType.File:
            return True
        return bool(self.files())

    def size(self) -> int:
        """Return an object's length in bytes."""
        return int(self._store.get_file_info(self._key).size)

    def stamp(self) -> tuple[int, int]:
        """Return the object's length and time of writing."""
        found = self._store.get_file_info(self._key)
        return int(found.size or 0), int(found.mtime_ns or 0)

    def read(self) -> bytes:
        """Return an object's content."""
        with self._store.open_input_stream(self._key) as stream:
            return bytes(stream.read())

    def write(self, content: bytes) -> None:
        """Write an object; stores make it visible whole or not at all."""
        if not self._base.startswith("file:"):
            with self._sink(self._key) as stream:
                stream.write(content)
            return
        part = f"{self._key}.part-{secrets.token_hex(6)}"  # a disk behind a URL shows halves
        with self._sink(part) as stream:
            stream.write(content)
        self._store.move(part, self._key)

    def _sink(self, key: str) -> Any:
        if self._base.startswith("file:"):  # the only store with folders
            self._store.create_dir(key.rpartition("/")[0] or ".", recursive=True)
        return self._store.open_output_stream(key)

    def names(self) -> list[str]:
        """Return what lies directly below, sorted."""
        return sorted({name.split("/")[0] for name in self.files()})

    def files(self) -> list[str]:
        """Return the objects below, as relative names, sorted."""
        from pyarrow.fs import FileSelector, FileType

        if self._key and self._store.get_file_info(self._key).type == FileType.File:
            return []
        selector = FileSelector(self._key, recursive=True, allow_not_found=True)
        prefix = f"{self._key}/" if self._key else ""
        found = (
            info.path.lstrip("/")
            for info in self._store.get_file_info(selector)
            if info.type == FileType.File
        )
        return sorted(p.removeprefix(prefix) for p in found if p.startswith(prefix))

    def remove(self) -> None:
        """Delete the object and all below it."""
        below = self.files()
        for name in below:
            self._store.delete_file(f"{self._key}/{name}")
        if not below and self.exists():
            self._store.delete_file(self._key)

    def take(self, folder: Path) -> None:
        """Upload a folder; `LAST` goes last, so that it vouches for the rest."""
        self.remove()
        paths = sorted(p for p in folder.rglob("*") if p.is_file())
        for path in sorted(paths, key=lambda p: p.name == LAST):
            key = f"{self._key}/{path.relative_to(folder).as_posix()}"
            with path.open("rb") as source, self._sink(key) as sink:
                shutil.copyfileobj(source, sink, 8 << 20)

    def scan(self) -> pl.LazyFrame:
        """Scan a Parquet object."""
        return pl.scan_parquet(self.url, glob=False, storage_options=self.options)

    def footer(self) -> pq.FileMetaData:
        """Return a Parquet object's metadata."""
        with self.open() as source:
            return pq.read_metadata(source)

    def open(self) -> Any:
        """Open an object for reading in bytes."""
        return self._store.open_input_file(self._key)


def _filesystem(url: str, options: dict[str, str] | None) -> Any:
    """Return pyarrow's view of a store, with the options that polars and Delta take."""
    from pyarrow import fs

    parts = urlsplit(url)
    if parts.scheme == "s3" and options:
        given = {key.lower().removeprefix("aws_"): value for key, value in options.items()}
        endpoint = given.get("endpoint_url", given.get("endpoint"))
        names = {
            "access_key_id": "access_key",
            "secret_access_key": "secret_key",
            "session_token": "session_token",
            "region": "region",
        }
        words = {names[key]: value for key, value in given.items() if key in names}
        if endpoint:
            words |= {"endpoint_override": endpoint, "scheme": urlsplit(endpoint).scheme}
        return fs.SubTreeFileSystem(parts.netloc + parts.path, fs.S3FileSystem(**words))
    whole, path = fs.FileSystem.from_uri(url)
    return fs.SubTreeFileSystem(path, whole)


LAST = "session.json"

_URL = re.compile(r"[a-z][a-z0-9+.-]+://")
"""What makes a URL; a path may have a colon too."""


def place_of(path: str | Path, options: dict[str, str] | None = None) -> DiskPlace | StorePlace:
    """Return the place of a path or URL.

    Without options, an object store's own environment variables are read
    (``AWS_ACCESS_KEY_ID`` and so on).
    """
    if isinstance(path, str) and _URL.match(path):
        return StorePlace(path, options)
    return DiskPlace(Path(path).absolute())
