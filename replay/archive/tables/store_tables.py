"""Tables on an object store: Delta's own commits there, then the same manifest.

A store has no links and no folder to make a commit beside, but each of its
writes is whole, and Delta's library makes the commit's own name the one thing
that two writers cannot both create.
"""

from __future__ import annotations

from dataclasses import replace

from deltalake import DeltaTable
from deltalake.exceptions import TableNotFoundError

from replay.archive import layout
from replay.archive.disk.fence import fenced
from replay.archive.disk.place import Place
from replay.archive.tables.manifest import Manifest, Mark, commit_name, file_mark, following, mark


def opened(table: Place) -> DeltaTable | None:
    """Open a table by its URL; None when it has no commit."""
    try:
        with fenced():
            return DeltaTable(table.url, storage_options=table.options)
    except TableNotFoundError:
        return None


def held_by_store(table: Place) -> Manifest | None:
    """Return what a table's log says it holds, oldest file first."""
    if table.child(layout.LOG, commit_name(0)).exists():
        return following(table, Manifest(-1))
    delta = opened(table)
    if delta is None:
        return None
    added = delta.get_add_actions(flatten=True)
    columns = {n: added.column(i).to_pylist() for i, n in enumerate(added.column_names)}
    rows = zip(columns["modification_time"], columns["path"], columns["size_bytes"], strict=True)
    files = {str(path): Mark(int(size)) for _, path, size in sorted(rows)}
    return Manifest(delta.version(), files)


def vouched(table: Place, held: Manifest, known: Manifest) -> Manifest:
    """Return ``held`` with digest and bounds of every file; those known are not read again."""
    log = table.child(layout.LOG)
    commits = [n for n in log.names() if n.endswith(".json")]
    return replace(
        held,
        files={
            n: known.files[n] if n in known.files else file_mark(table.child(n).read())
            for n in held.files
        },
        log={n: known.log[n] if n in known.log else mark(log.child(n).read()) for n in commits},
    )
