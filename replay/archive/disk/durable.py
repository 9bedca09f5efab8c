"""Files that are there whole, and stay there when the power goes.

A file is written under another name, given to the disk (fsync), and renamed;
then its folder is given to the disk too, since the name lives there. Files and
folders have the rights that the user's umask gives, so that colleagues of the
same group can read what one of them stored.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib
import os
import secrets
import shutil
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


def make_dirs(folder: Path) -> None:
    """Make a folder and those above it, and tell the disk to keep their names."""
    if folder.is_dir():
        return
    make_dirs(folder.parent)
    with contextlib.suppress(FileExistsError):
        folder.mkdir()
    sync(folder.parent)


def write_whole(path: Path, content: bytes) -> None:
    """Write a file in one step as others see it, and keep it."""
    part = path.with_name(f".part-{secrets.token_hex(8)}")
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
    try:
        with open(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(part)
        raise
    sync(path.parent)


def bring(source: Path, target: Path, *, replace: bool = False) -> None:
    """Put a finished file in its place, given to the disk before it can be seen.

    Raises
    ------
    FileExistsError
        When there is a file already and ``replace`` is false.
    """
    if source.stat().st_dev == target.parent.stat().st_dev:
        ready = source
        sync(ready)
    else:
        ready = target.with_name(f".part-{secrets.token_hex(8)}")
        copy_with_digest(source, ready)
    if replace:
        os.replace(ready, target)
    elif not _linked(ready, target):
        if target.exists():
            raise FileExistsError(target)
        os.rename(ready, target)
    if ready.exists():
        ready.unlink()
    sync(target.parent)


def _linked(source: Path, target: Path) -> bool:
    """Give a file a second name, which no other has; False where the disk has no such thing."""
    try:
        os.link(source, target)
    except FileExistsError:
        raise
    except OSError:
        return False
    return True


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
    folder = base / f"tmp{secrets.token_hex(6)}"
    folder.mkdir()
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
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # gone this moment, or another user's
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    else:
        return True
    finally:
        os.close(handle)
