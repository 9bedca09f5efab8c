"""Make a table's next commit beside the table, then put it in its place.

Delta's own library makes the commit in a scratch table. That holds nothing but
one commit of ours, which names the files that the change is about (linked in),
and what the library adds to it. What it wrote is given to the disk and only
then brought over under the true number: rows first, the commit last. So no
commit is ever seen whose files the disk has not kept, a commit costs the same
however long the log is, and the library never meets the archive's own path,
which may have blanks, brackets or a per cent sign that it does not bear.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import orjson
from deltalake import DeltaTable

from replay.archive import layout
from replay.archive.disk import durable
from replay.archive.disk.fence import fenced
from replay.archive.disk.place import DiskPlace
from replay.archive.tables.bounds import bounds_of_file
from replay.archive.tables.manifest import (
    HEAD,
    Manifest,
    Mark,
    TornCommit,
    actions,
    commit_name,
    following,
    mark,
)
from replay.digests import file_digest

_PLAIN = re.compile(r"[A-Za-z0-9/._+=,@-]+")
"""Paths that Delta's library takes as they are."""

CHECKPOINT = "_last_checkpoint"
"""Says up to which commit a log is summed up."""


@dataclass(frozen=True, slots=True)
class Beside:
    """A scratch table that stands for the true one."""

    folder: Path
    """Where the library may write."""
    delta: DeltaTable | None
    """The scratch table opened; None where the true one has no commit yet."""


@contextlib.contextmanager
def beside(root: Path, table: Path, held: Manifest, touched: Iterable[str]) -> Iterator[Beside]:
    """Give a scratch table that holds the files of ``table`` that a change is about."""
    with durable.owned_folder(scratch_base(root)) as made:
        folder = made / table.name
        log = folder / layout.LOG
        log.mkdir(parents=True)
        if held.version < 0:
            yield Beside(folder, None)
            return
        adds = []
        for name in touched:
            (folder / name).symlink_to((table / name).absolute())
            adds.append({"add": _added(name, held.files[name])})
        lines = [{key: held.head[key]} for key in HEAD] + adds
        content = b"\n".join(orjson.dumps(line) for line in lines)
        (log / commit_name(0)).write_bytes(content)
        with fenced():
            delta = DeltaTable(str(folder))
        yield Beside(folder, delta)


def _added(name: str, mark: Mark) -> dict[str, Any]:
    return {
        "path": name,
        "partitionValues": {},
        "size": mark.size,
        "modificationTime": 0,
        "dataChange": True,
    }


@contextlib.contextmanager
def linked(root: Path, table: Path, held: Iterable[str] | None = None) -> Iterator[DeltaTable]:
    """Give the true table with its true log, opened at a path that the library bears.

    ``held`` names the files that count, where that is known: others may be very many.

    Raises
    ------
    OSError, DeltaError
        When the log cannot be read.
    """
    with durable.owned_folder(scratch_base(root)) as made:
        folder = made / table.name
        (folder / layout.LOG).mkdir(parents=True)
        files = table.glob("*.parquet") if held is None else (table / name for name in held)
        for path in (*files, *needed_log(table / layout.LOG)):
            (folder / path.relative_to(table)).symlink_to(path.absolute())
        with fenced():
            yield DeltaTable(str(folder))


def checkpoint(root: Path, table: Path, held: Iterable[str]) -> None:
    """Sum up a table's log for engines that read it from there."""
    with linked(root, table, held) as delta:
        with fenced():
            delta.create_checkpoint()
        made = folder_of(delta) / layout.LOG
        files = [p for p in made.iterdir() if p.is_file() and not p.is_symlink()]
        for path in sorted(files, key=lambda p: p.name == CHECKPOINT):
            durable.bring(path, table / layout.LOG / path.name, replace=True)


def folder_of(delta: DeltaTable) -> Path:
    """Return the folder of a table that was opened at a plain path."""
    return Path(urlsplit(delta.table_uri).path)


def needed_log(log: Path) -> list[Path]:
    """Return the files of a log that say what the table holds: the last sum and what follows."""
    if not log.is_dir():
        return []
    since: int = -1
    found = []
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
        since = int(json.loads((log / CHECKPOINT).read_bytes())["version"])
        found.append(log / CHECKPOINT)
    for name in sorted(os.listdir(log)):
        number = name.partition(".")[0]
        if not (len(number) == 20 and number.isdigit() and int(number) >= since):
            continue
        if name.endswith(".json") or (name.endswith(".parquet") and int(number) == since):
            found.append(log / name)
    return found


def publish(scratch: Beside, table: Path, before: Manifest) -> Manifest:
    """Bring over what the library wrote; return what the table holds now.

    Raises
    ------
    FileExistsError
        When another writer made the same commit first; nothing of this one counts.
    """
    marks: dict[str, Mark] = {}
    made = [p for p in scratch.folder.iterdir() if p.is_file() and not p.is_symlink()]
    first = 0 if scratch.delta is None else 1
    commits = sorted((scratch.folder / layout.LOG).glob("*.json"))[first:]
    if commits:  # a change of nothing leaves nothing behind
        durable.make_dirs(table / layout.LOG)
    for path in made if commits else ():
        marks[path.name] = Mark(path.stat().st_size, file_digest(path), bounds_of_file(path))
        durable.bring(path, table / path.name)
    log = dict(before.log) or log_marks(table, {})
    for number, path in enumerate(commits):
        name = commit_name(before.version + 1 + number)
        log[name] = mark(path.read_bytes())
        durable.bring(path, table / layout.LOG / name)
    now = following(DiskPlace(table), before)
    files = {name: marks.get(name, before.files.get(name, m)) for name, m in now.files.items()}
    return Manifest(now.version, files, log, before.entries, now.head)


def log_marks(table: Path, known: Mapping[str, Mark]) -> dict[str, Mark]:
    """Return the marks of the log's files that still count; those known are not read again."""
    marks = {}
    for path in needed_log(table / layout.LOG):
        old = known.get(path.name) if path.name != CHECKPOINT else None
        size = path.stat().st_size
        marks[path.name] = old if old is not None else Mark(size, file_digest(path))
    return marks


def held_by_log(root: Path, table: Path) -> Manifest:
    """Return what a table's log says it holds, without a manifest to start from.

    Raises
    ------
    OSError, DeltaError
        When the log cannot be read.
    """
    with linked(root, table) as delta:
        added = delta.get_add_actions(flatten=True)
        columns = {n: added.column(i).to_pylist() for i, n in enumerate(added.column_names)}
        rows = zip(
            columns["modification_time"], columns["path"], columns["size_bytes"], strict=True
        )
        files = {str(path): Mark(int(size)) for _, path, size in sorted(rows)}
        head: dict[str, Any] = {}
        for commit in sorted((table / layout.LOG).glob("*.json")):
            with contextlib.suppress(TornCommit):
                for action in actions(commit.read_bytes()):
                    head |= {key: action[key] for key in HEAD if key in action}
        return Manifest(delta.version(), files, head=head)


def write_table(folder: Path, write: Callable[[str], None]) -> Manifest:
    """Make a new table in an empty folder of a plain path, for a swap; return its manifest."""
    folder.mkdir(parents=True)
    with fenced():
        write(str(folder))
    held = following(DiskPlace(folder), Manifest(-1))
    files = {
        n: Mark(m.size, file_digest(folder / n), bounds_of_file(folder / n))
        for n, m in held.files.items()
    }
    return Manifest(held.version, files, log_marks(folder, {}), head=held.head)


def scratch_base(root: Path) -> Path:
    """Return a folder below which Delta's library may write."""
    base = root / layout.STAGING
    plain = _PLAIN.fullmatch(os.path.realpath(base))  # the library follows links
    return base if plain else Path(tempfile.gettempdir())


def move_over(made: Path, target: Path) -> None:
    """Move a folder to the archive's own disk."""
    durable.make_dirs(target.parent)
    try:
        made.rename(target)
    except OSError:
        shutil.copytree(made, target)
    durable.sync_tree(target)
