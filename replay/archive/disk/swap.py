"""Put a finished folder or file in the place of another, and keep the other.

What is new lies whole on the disk before it takes its place; what was there
goes to ``set-aside/`` and stays until somebody clears it. Where the system can
exchange two names in one step there is no moment at which neither is in place;
elsewhere a note in ``staging/`` says what was begun, and the next writer ends it.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import secrets
from datetime import UTC, datetime
from pathlib import Path

from replay.archive import layout
from replay.archive.disk import durable
from replay.archive.disk.seal import sealed, unsealed

_RENAME_EXCHANGE = 2  # from <linux/fs.h>
_AT_FDCWD = -100  # from <fcntl.h>
_NOT_OFFERED = (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EPERM)


def put_in_place(root: Path, made: Path, target: Path) -> Path | None:
    """Move ``made`` to ``target``; return where the former content lies now.

    Parameters
    ----------
    root : Path
        The archive.
    made : Path
        On the same disk, whole, and given to the disk.
    target : Path
        Below ``root``; need not exist.
    """
    durable.make_dirs(target.parent)
    if not target.exists():
        os.rename(made, target)
        durable.sync(target.parent)
        return None
    aside = _place_aside(root, target)
    os.rename(made, aside)
    durable.sync(aside.parent)
    if not exchange(aside, target):
        _exchange_in_steps(root, aside, target)
    durable.sync(target.parent)
    durable.sync(aside.parent)
    return aside


def set_aside(root: Path, path: Path) -> Path:
    """Take something out of its place without losing it; return where it lies now."""
    aside = _place_aside(root, path)
    os.rename(path, aside)
    durable.sync(aside.parent)
    durable.sync(path.parent)
    return aside


def exchange(one: Path, other: Path) -> bool:
    """Exchange two names in one step; False where the system does not offer it."""
    try:
        call = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError):
        return False
    names = os.fsencode(one), os.fsencode(other)
    if call(_AT_FDCWD, names[0], _AT_FDCWD, names[1], _RENAME_EXCHANGE) == 0:
        return True
    number = ctypes.get_errno()
    if number in _NOT_OFFERED:
        return False
    raise OSError(number, os.strerror(number), str(other))


def begun(root: Path) -> Path:
    """Return where a swap in steps notes what it has begun."""
    return root / layout.STAGING / "swap.json"


def end_begun(root: Path) -> None:
    """End a swap that was cut between its steps."""
    note = begun(root)
    if not note.exists():
        return
    said = unsealed(note.read_bytes())
    if said is not None:
        target, new = root / said["target"], root / said["new"]
        if not target.exists() and new.exists():
            os.rename(new, target)
            durable.sync(target.parent)
            durable.sync(new.parent)
    note.unlink()


def _exchange_in_steps(root: Path, new: Path, target: Path) -> None:
    old = new.with_name(f"{new.name}.old")
    note = begun(root)
    durable.make_dirs(note.parent)
    said = {"target": str(target.relative_to(root)), "new": str(new.relative_to(root))}
    durable.write_whole(note, sealed(said))
    os.rename(target, old)
    durable.sync(old.parent)
    os.rename(new, target)
    durable.sync(target.parent)
    os.rename(old, new)
    with contextlib.suppress(FileNotFoundError):
        note.unlink()


def _place_aside(root: Path, path: Path) -> Path:
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S") + f"-{secrets.token_hex(4)}"
    aside = root / layout.SET_ASIDE / stamp / path.relative_to(root)
    durable.make_dirs(aside.parent)
    return aside
