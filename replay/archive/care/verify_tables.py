"""Find what is wrong with the archive's tables: manifest, log, rows, second copies."""

from __future__ import annotations

import hashlib
import json

import polars as pl
from deltalake.exceptions import DeltaError

from replay.archive import layout
from replay.archive.care.findings import CHANGED, Finding
from replay.archive.disk.fence import fenced
from replay.archive.disk.place import Place
from replay.archive.marker import read_marker
from replay.archive.tables import commits, copies
from replay.archive.tables.bounds import bounds_of_file
from replay.archive.tables.manifest import (
    Manifest,
    TornCommit,
    actions,
    commit_name,
    following,
    read_manifest,
)
from replay.archive.tables.store_tables import held_by_store
from replay.errors import first_line
from replay.wording import counted

_PIECE = 8 << 20


def table_names(root: Place) -> list[str]:
    """Return the tables that have a folder, or that the marker knows, sorted."""
    marker = read_marker(root)
    listed = marker.tables if marker is not None else ()
    there = [n for n in root.child(layout.TABLES).names() if not n.startswith(".")]
    copied = [n for n in copies.GROWING if copies.folder_of(root, n).names()]
    return sorted({*listed, *there, *copied})


def check_table(root: Place, name: str) -> list[Finding]:
    """Look at one table."""
    table = root.child(layout.TABLES, name)
    where = f"{layout.TABLES}/{name}"
    marker = read_marker(root)
    listed = marker is not None and name in marker.tables
    manifest = read_manifest(table)
    if manifest is None:
        if listed:
            gone = not table.files()
            what = "the table is missing" if gone else "missing or damaged"
            file = where if gone else f"{where}/{layout.MANIFEST}"
            kind = "table-missing" if gone else "table-manifest"
            return [Finding(kind, "damage", file, what, "repair")]
        return _unlisted(root, table, name, where)
    found = _log(table, manifest, where)
    try:
        held = following(table, manifest)
    except TornCommit as error:
        torn = f"{where}/{layout.LOG}/{torn_commits(table, manifest.version)[0]}"
        return [*found, Finding("table-log", "damage", torn, str(error), "repair")]
    if held.version > manifest.version:
        detail = "a commit that its writer was not told of: the next one vouches for it"
        found.append(Finding("table-fresh", "leftover", where, detail, "repair"))
    for file, mark in held.files.items():
        fault = file_fault(table.child(file), mark.size, mark.sha256)
        if fault:
            found.append(Finding("table-file", "damage", f"{where}/{file}", fault, "repair"))
        elif mark.bounds is not None and not mark.bounds.agree_with(
            bounds_of_file(table.child(file).read())
        ):
            said = "its rows lie beyond what the manifest says of it, so questions would miss them"
            found.append(Finding("table-file", "damage", f"{where}/{file}", said, "repair"))
    return found + check_copies(root, name, manifest.entries)


def _unlisted(root: Place, table: Place, name: str, where: str) -> list[Finding]:
    """Look at a table that was begun, or written by another program."""
    if not any(n.endswith(".json") for n in table.child(layout.LOG).names()):
        if name in copies.GROWING and copies.folder_of(root, name).names():
            return [Finding("table-missing", "damage", where, "the table is missing", "repair")]
        if not table.files():
            return []  # an older program's check that found nothing left the folder
        return [Finding("table-empty", "leftover", where, "no commit was ever made", "repair")]
    torn = torn_commits(table, -1)
    if torn:
        detail = "a commit was cut short, as by a power cut"
        path = f"{where}/{layout.LOG}/{torn[0]}"
        return [Finding("table-log", "damage", path, detail, "repair")]
    try:
        held = held_without_manifest(root, table)
    except (DeltaError, OSError, ValueError) as error:
        detail = f"the commit log cannot be read: {first_line(error)}"
        return [Finding("table-log", "damage", where, detail, "repair")]
    detail = "a table that its writer was not told of: the next commit vouches for it"
    found = [Finding("table-fresh", "leftover", where, detail, "repair")]
    for file, mark in held.files.items():
        fault = file_fault(table.child(file), mark.size, None)
        if fault:
            found.append(Finding("table-file", "damage", f"{where}/{file}", fault, "repair"))
    return found


def held_without_manifest(root: Place, table: Place) -> Manifest:
    """Return what a table's log alone says it holds."""
    with fenced():
        if root.folder is not None and table.folder is not None:
            return commits.held_by_log(root.folder, table.folder)
        held = held_by_store(table)
    if held is None:
        raise FileNotFoundError(f"{table}: no commit was ever made")
    return held


def _log(table: Place, manifest: Manifest, where: str) -> list[Finding]:
    """Compare the log's files with what the manifest says of them."""
    log = table.child(layout.LOG)
    found = []
    there = set(log.names())
    for name, mark in manifest.log.items():
        path = f"{where}/{layout.LOG}/{name}"
        if name not in there:
            found.append(Finding("table-log", "damage", path, "missing", "repair"))
            continue
        fault = file_fault(log.child(name), mark.size, mark.sha256)
        if fault and name.startswith("_") and _is_newer_sum(log, manifest, there):
            detail = "a sum of the log that its writer was not told of: the next one follows it"
            found.append(Finding("table-fresh", "leftover", path, detail, "repair"))
        elif fault and name.startswith("_"):  # rewritten now and then, not with the manifest
            detail = f"{fault}, or newer than the manifest"
            found.append(Finding("table-log", "damage", path, detail, "repair"))
        elif fault:
            found.append(Finding("table-log", "damage", path, fault, "repair"))
    if not manifest.log and commit_name(manifest.version) not in there:
        found.append(Finding("table-log", "damage", where, "its last commits have gone", "repair"))
    return found


def _is_newer_sum(log: Place, manifest: Manifest, there: set[str]) -> bool:
    """Tell whether the log was summed up after the manifest, by a writer that was killed then."""
    sums = {name for name in there if name.endswith(".checkpoint.parquet")}
    known = [int(name.partition(".")[0]) for name in sums & set(manifest.log)]
    try:
        version = int(json.loads(log.child(commits.CHECKPOINT).read())["version"])
    except (OSError, ValueError, KeyError, TypeError):
        return False
    named = f"{version:020d}.checkpoint.parquet"
    whole = named in sums and file_fault(log.child(named), log.child(named).size(), None) is None
    return whole and version > max(known, default=-1)


def check_copies(root: Place, name: str, entries: int) -> list[Finding]:
    """Look at the second copy of what people wrote."""
    if name not in copies.GROWING:
        return []
    found = []
    kept: set[int] = set()
    for copy in copies.copies(root, name):
        path = f"{layout.COPIES}/{name}/{copy.name}"
        if copy.rows is None:
            found.append(Finding("copy", "damage", path, CHANGED, "repair"))
        else:
            kept |= set(copy.rows[copies.ENTRY])
    lacking = set(range(entries)) - kept
    if lacking and not found:
        detail = f"{counted(len(lacking), 'row has', 'rows have')} no second copy"
        found.append(Finding("copy", "damage", f"{layout.COPIES}/{name}", detail, "repair"))
    return found


def torn_commits(table: Place, after: int) -> list[str]:
    """Return the commits at the end of a table's log that are not whole, newest first."""
    torn = []
    for name in reversed(table.child(layout.LOG).names()):
        number = name.removesuffix(".json")
        if not (name.endswith(".json") and number.isdigit() and int(number) > after):
            continue
        try:
            actions(table.child(layout.LOG, name).read())
        except TornCommit:
            torn.append(name)
        else:
            break
    return torn


def digest_of(place: Place) -> str:
    """Return a stored file's SHA-256, piece by piece."""
    seen = hashlib.sha256()
    with place.open() as handle:
        while piece := handle.read(_PIECE):
            seen.update(piece)
    return seen.hexdigest()


def file_fault(place: Place, size: int, sha256: str | None) -> str | None:
    """Return what is wrong with a file, or None; without a digest it is read through."""
    try:
        if not place.exists():
            return "missing"
        if place.size() != size:
            return f"{place.size()} bytes where {size} were written"
        if sha256 is not None and digest_of(place) != sha256:
            return CHANGED
        if sha256 is None:
            with fenced():
                place.scan().collect()
    except (OSError, pl.exceptions.PolarsError) as error:
        return f"cannot be read: {first_line(error)}"
    return None
