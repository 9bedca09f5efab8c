"""Files that are there whole, and stay there when the power goes.

A file is written under another name, given to the disk (fsync), and renamed;
then its folder is given to the disk too, since the name lives there.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib
import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

fcntl: Any = None  # no such locks on Windows; Delta's own commits still hold
with contextlib.suppress(ImportError):
    fcntl = importlib.import_module("fcntl")

_PIECE = 1 << 18
"""Copied through one buffer that stays in a core's own cache: a larger one costs a third more."""


def sync(path: Path) -> None:
    """Tell the disk to keep a file, or the names in a folder."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError:  # some file systems refuse it for folders
        if not path.is_dir():
            raise
    finally:
        os.close(handle)


def sync_tree(folder: Path) -> None:
    """Tell the disk to keep a folder and all below it, the files first."""
    for path in sorted(folder.rglob("*"), reverse=True):
        sync(path)
    sync(folder)


def write_whole(path: Path, content: bytes) -> None:
    """Write a file in one step as others see it, and keep it."""
    with tempfile.NamedTemporaryFile(dir=path.parent, prefix=".part-", delete=False) as handle:
        try:
            handle.write(content)
            handle.flush()
            os.fsync(handle.fileno())
            os.replace(handle.name, path)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(handle.name)
            raise
    sync(path.parent)


def digest(path: Path) -> str:
    """Return the SHA-256 of a file, in hexadecimal."""
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def copy_with_digest(source: Path, target: Path) -> str:
    """Copy a file in one pass and return the SHA-256 of what was copied."""
    seen = hashlib.sha256()
    piece = memoryview(bytearray(_PIECE))
    with source.open("rb", 0) as come, target.open("wb", 0) as go:
        while count := come.readinto(piece):
            seen.update(piece[:count])
            done = 0
            while done < count:
                done += go.write(piece[done:count])
        go.flush()
        os.fsync(go.fileno())
    return seen.hexdigest()


@contextlib.contextmanager
def locked(path: Path) -> Iterator[None]:
    """Hold the one lock of a file; it falls when this process dies."""
    if fcntl is None:
        yield
        return
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    try:
        with contextlib.suppress(OSError):  # a network file system without locks
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


@contextlib.contextmanager
def owned_folder(base: Path) -> Iterator[Path]:
    """Give a new folder that is marked as in use while this process lives."""
    base.mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp(dir=base))
    handle = os.open(folder, os.O_RDONLY)
    try:
        if fcntl is not None:
            with contextlib.suppress(OSError):
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield folder
    finally:
        os.close(handle)
        shutil.rmtree(folder, ignore_errors=True)


def abandoned(folder: Path) -> bool:
    """Tell whether the process that used this folder has gone."""
    if fcntl is None:
        return False
    if time.time() - folder.stat().st_mtime < 60 and not any(folder.iterdir()):
        return False  # made this moment, its owner is about to mark it
    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    else:
        return True
    finally:
        os.close(handle)
