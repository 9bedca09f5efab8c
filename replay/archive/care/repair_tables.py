"""Bring a table back: a new one is made beside of all rows that are sound, and swapped in."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import polars as pl
from deltalake import write_deltalake
from deltalake.exceptions import DeltaError

from replay.archive import catalogue, layout
from replay.archive.care.verify import read_session_file
from replay.archive.care.verify_tables import held_without_manifest, torn_commits
from replay.archive.disk import durable, swap
from replay.archive.disk.fence import fenced
from replay.archive.marker import read_marker, write_marker
from replay.archive.schemas import fitted
from replay.archive.store import Archive
from replay.archive.tables import commits, copies, parts
from replay.archive.tables.manifest import (
    Manifest,
    TornCommit,
    following,
    manifest_bytes,
    read_manifest,
)
from replay.archive.tables.tables import PARQUET
from replay.wording import counted

TABLE_KINDS = (
    "table-empty",
    "table-missing",
    "table-manifest",
    "table-log",
    "table-file",
    "table-fresh",
    "copy",
)


def repair_table(archive: Archive, name: str, *, drop: bool) -> tuple[bool, str, bool]:
    """Bring one table back.

    Returns
    -------
    done : bool
    what : str
        What was done, or would be.
    drops : bool
        Whether rows go with it; then nothing is done unless ``drop``.
    """
    root = archive.place.folder
    table = archive.place.child(layout.TABLES, name)
    folder = table.folder
    assert root is not None
    assert folder is not None
    known = read_manifest(table)
    held = _held(archive, name, known)
    if held is None and name not in (*copies.GROWING, "sessions"):
        return _give_up(archive, name, drop=drop)
    files = held.files if held is not None else {}
    frames, lost = sound_rows(folder, files)
    entries = known.entries if known is not None else 0
    if name in copies.GROWING:
        frames += [c.rows for c in copies.copies(archive.place, name) if c.rows is not None]
        if held is None or lost:  # older files hold the same rows: none goes with one bad file
            strays = {p.name for p in folder.glob("*.parquet")} - set(files)
            frames += sound_rows(folder, dict.fromkeys(sorted(strays)))[0]
    rows = pl.concat(frames, how="diagonal_relaxed") if frames else pl.DataFrame()
    if name == "sessions":
        rows = _catalogue_again(archive, rows)
        what, short = f"written again from {counted(rows.height, 'session')}", False
    elif name in copies.GROWING:
        rows, entries, short = _people_again(rows, entries)
        what = f"kept the {counted(rows.height, 'row')} of its files and of their second copies"
    else:
        short = bool(lost)
        what = f"kept the {counted(rows.height, 'row')} of its sound files"
    if short:
        n = len(lost)
        what += f"; {n} {'file is' if n == 1 else 'files are'} lost, check those sessions again"
        if not drop:
            return False, f"would have {what}", True
    swap_in(archive, root, name, rows, entries)
    return True, what, short


def _held(archive: Archive, name: str, known: Manifest | None) -> Manifest | None:
    """Return what a table holds by its manifest, else by its log; None when neither says."""
    table = archive.place.child(layout.TABLES, name)
    after = known.version if known is not None else -1
    if table.folder is not None:
        for torn in torn_commits(table, after):
            swap.set_aside(archive.root, table.folder / layout.LOG / torn)
    try:
        if known is not None:
            return following(table, known)
        return held_without_manifest(archive.place, table)
    except (TornCommit, DeltaError, OSError, ValueError):
        return known


def sound_rows(folder: Path, files: object) -> tuple[list[pl.DataFrame], list[str]]:
    """Return the rows of files that are what was written, and the names of the others."""
    frames, lost = [], []
    for file, mark in dict(files).items():  # type: ignore[call-overload]
        try:
            content = (folder / file).read_bytes()
            if mark is not None and not mark.vouches_for(content):
                lost.append(file)
                continue
            with fenced():
                frames.append(pl.read_parquet(io.BytesIO(content)))
        except (OSError, pl.exceptions.PolarsError):
            lost.append(file)
    return frames, lost


def _people_again(rows: pl.DataFrame, entries: int) -> tuple[pl.DataFrame, int, bool]:
    """Return what people wrote, each entry once, and whether an entry is missing."""
    if not rows.height or copies.ENTRY not in rows.columns:
        return rows, max(entries, rows.height), rows.height < entries
    rows = rows.unique(copies.ENTRY, keep="first", maintain_order=True).sort(copies.ENTRY)
    held = {int(n) for n in rows[copies.ENTRY].drop_nulls()}
    return rows, max(entries, *(n + 1 for n in held)), not set(range(entries)) <= held


def _give_up(archive: Archive, name: str, *, drop: bool) -> tuple[bool, str, bool]:
    """Give up a table of which neither manifest nor log says what it held."""
    root, folder = archive.root, archive.root / layout.TABLES / name
    empty = not any(folder.rglob("*.parquet")) and not any(folder.glob(f"{layout.LOG}/*"))
    marker = read_marker(archive.place)
    listed = marker is not None and name in marker.tables
    if not listed and empty:
        if folder.exists():
            swap.set_aside(root, folder)
        return True, "set aside: no commit was ever made", False
    what = "its rows are lost: run the command that made them again"
    if not drop:
        return False, f"would be given up: {what}", True
    if folder.exists():
        swap.set_aside(root, folder)
    if marker is not None:
        left = tuple(n for n in marker.tables if n != name)
        write_marker(archive.place, marker.version, left)
    archive.tables.forget(name)
    return True, what, True


def _catalogue_again(archive: Archive, rows: pl.DataFrame) -> pl.DataFrame:
    """Return the catalogue's rows: by the folders, and by old rows where a folder has gone."""
    listed = set(rows["session"]) if rows.height else set()
    found: list[pl.DataFrame] = []
    completed: set[str] = set()
    for name in archive.place.child(layout.SAMPLES).names():
        document = read_session_file(archive.session_place(name))
        if document is None:
            continue
        session = catalogue.session_of(document["record"])
        found.append(catalogue.row(session, document))
        completed.update(catalogue.earlier_names(document))
    if not found and not rows.height:
        return pl.DataFrame()
    joined = pl.concat([*found, *([rows] if rows.height else [])], how="diagonal_relaxed")
    joined = joined.unique("session", keep="first", maintain_order=True)
    return joined.filter(~pl.col("session").is_in(sorted(completed - listed)))


def swap_in(archive: Archive, root: Path, name: str, rows: pl.DataFrame, entries: int) -> None:
    """Make the table anew beside, with its manifest, and put it in place of the old one."""
    folder = root / layout.TABLES / name
    with durable.owned_folder(commits.scratch_base(root)) as staged:
        made = staged / name
        if rows.height:
            fit = fitted(rows, name, None)
            arranged = name not in copies.GROWING
            whole = list(parts.slices(parts.ordered(name, fit))) if arranged else [fit]

            def write(path: str) -> None:
                for part in whole:  # nobody sees it before the swap
                    write_deltalake(path, part.to_arrow(), mode="append", writer_properties=PARQUET)

            manifest = commits.write_table(made, write)
            (made / layout.MANIFEST).write_bytes(manifest_bytes(replace(manifest, entries=entries)))
            with archive.staging() as near:
                commits.move_over(made, near / name)
                swap.put_in_place(root, near / name, folder)
        elif folder.exists():
            swap.set_aside(root, folder)
    if name in copies.GROWING:
        _copy_again(archive, name, rows)
    archive.tables.forget(name)
    marker = read_marker(archive.place)
    if marker is not None and marker.version >= layout.SEALED_FROM:
        others = tuple(n for n in marker.tables if n != name)
        write_marker(archive.place, marker.version, (*others, *([name] if rows.height else [])))


def _copy_again(archive: Archive, name: str, rows: pl.DataFrame) -> None:
    """Keep a second copy of rows that lack one; damaged copies are set aside."""
    kept: set[int] = set()
    for copy in list(copies.copies(archive.place, name)):
        if copy.rows is None:
            path = copies.folder_of(archive.place, name).child(copy.name).folder
            assert path is not None
            swap.set_aside(archive.root, path)
        else:
            kept |= set(copy.rows[copies.ENTRY])
    if rows.height and copies.ENTRY in rows.columns:
        lacking = rows.filter(~pl.col(copies.ENTRY).is_in(sorted(kept)))
        copies.keep_copy(archive.place, name, lacking)
