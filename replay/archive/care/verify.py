"""Find what is damaged, missing or left over in an archive.

Every stored file is noted in another one when it is written: samples and
overviews in their session's ``session.json`` and in the catalogue, logs in
``raw.json``, files of tables in the table's manifest, documents in
``digests/``; notes are under seal. `verify` reads everything and compares; it
changes nothing, and whatever it meets becomes a sentence.

Longer than 245 lines because each kind of file is looked at in the order in which one vouches
for the next.
"""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from replay.archive import catalogue, documents, layout
from replay.archive.care.findings import CHANGED, Finding, Remedy, Weight
from replay.archive.care.verify_tables import check_table, file_fault, table_names
from replay.archive.disk import durable, swap
from replay.archive.disk.fence import fenced
from replay.archive.disk.place import Place
from replay.archive.disk.seal import unsealed
from replay.archive.marker import read_marker
from replay.archive.rolls import FOLDER, file_of
from replay.archive.samples.raw_logs import check_raw
from replay.archive.store import Archive
from replay.archive.tables.abouts import KEYS
from replay.errors import ArchiveError, first_line
from replay.records import Session

_AGAIN: Remedy = "ingest the log again"


def verify(
    archive: Archive, *, progress: Callable[[Iterable[str]], Iterable[str]] = iter
) -> list[Finding]:
    """Read every file of the archive and return what is wrong, tables first.

    Parameters
    ----------
    archive : Archive
        What to look at.
    progress : callable, optional
        Wraps the names of the sessions while they are gone through.
    """
    root = archive.place
    findings = list(_marker(root))
    for name in table_names(root):
        findings += _told(lambda n: check_table(root, n), name, f"{layout.TABLES}/{name}")
        archive.tables.forget(name)
    findings += _rolls(archive)
    known = _known_sessions(archive, findings)
    raw_needed: dict[str, str] = {}
    with ThreadPoolExecutor(2) as pool:
        found = pool.map(lambda s: _session_told(archive, s), known)
        for session, result in zip(progress(known), found, strict=True):
            sha256, problems = result
            findings += problems
            if sha256:
                raw_needed.setdefault(sha256, session)
        kept = archive.place.child(layout.RAW).names()
        for problems in pool.map(
            lambda n: _told(lambda x: check_raw(root, x), n, f"{layout.RAW}/{n}"), kept
        ):
            findings += problems
    findings += [
        Finding("raw-missing", "damage", f"{layout.RAW}/{sha256}", "the log is not here", _AGAIN, s)
        for sha256, s in raw_needed.items()
        if sha256 not in kept
    ]
    findings += _documents(archive)
    for name in archive.place.child(layout.SAMPLES).names():
        document = (
            None if name in raw_needed.values() else read_session_file(archive.session_place(name))
        )
        if document is not None:  # a session that is not listed, or not any more, needs its log too
            raw_needed.setdefault(document["record"].get("raw_sha256") or "", name)
    findings += _leftovers(archive, set(known), set(raw_needed), kept)
    return findings


def _told(look: Callable[[str], list[Finding]], name: str, where: str) -> list[Finding]:
    """Return what a look finds; what it stumbles over is a finding too."""
    try:
        with fenced():
            return look(name)
    except Exception as error:
        detail = f"cannot be looked at: {type(error).__name__}: {first_line(error)}"
        kind = "table-log" if where.startswith(layout.TABLES) else "unreadable"
        remedy: Remedy = "repair" if kind == "table-log" else "none"
        return [Finding(kind, "damage", where, detail, remedy)]


def _session_told(archive: Archive, session: str) -> tuple[str | None, list[Finding]]:
    raw: str | None = None

    def look(name: str) -> list[Finding]:
        nonlocal raw
        raw, problems = check_session(archive, name)
        return problems

    problems = _told(look, session, f"{layout.SAMPLES}/{session}")
    return raw, problems


def _marker(root: Place) -> Iterator[Finding]:
    marker = read_marker(root, both=True)
    if marker is None:
        yield Finding(
            "marker", "damage", layout.MARKER, "neither it nor its copy is whole", "repair"
        )
        return
    if marker.first:
        yield Finding("marker", "damage", layout.MARKER, marker.first, "repair")
    if marker.second:
        path = f"{layout.COPIES}/{layout.MARKER}"  # written second: a stopped run leaves it behind
        weight: Weight = "damage" if marker.second == "damaged" else "leftover"
        yield Finding("marker", weight, path, marker.second, "repair")
    if root.folder is not None and swap.begun(root.folder).exists():
        detail = "a swap was cut between its steps: the next writer ends it"
        yield Finding("swap", "leftover", f"{layout.STAGING}/swap.json", detail, "repair")


def check_session(archive: Archive, session: str) -> tuple[str | None, list[Finding]]:
    """Look at one session's files; return its log's digest and what is wrong."""
    place = archive.session_place(session)
    where = f"{layout.SAMPLES}/{session}"
    document = read_session_file(place)
    if document is None:
        return _record_lost(archive, session)
    findings = []
    listed = _listed(archive, session)
    if listed is not None and listed != _session(document["record"]):
        detail = "newer than the catalogue's row: its writer was stopped before that"
        path = f"{where}/{layout.RECORD}"
        findings.append(Finding("record-fresh", "leftover", path, detail, "repair", session))
    sha256 = document["record"].get("raw_sha256")
    for file, noted in document["files"].items():
        fault = file_fault(place.child(file), noted["bytes"], noted["sha256"])
        if fault and file.startswith(layout.OVERVIEWS):
            findings.append(
                Finding("overview", "damage", f"{where}/{file}", fault, "repair", session)
            )
        elif fault:
            remedy: Remedy = "rebuild" if sha256 else "none"
            findings.append(Finding("samples", "damage", f"{where}/{file}", fault, remedy, session))
    missing = set(document["record"]["channels"]) - {
        file.removesuffix(".parquet") for file in document["files"]
    }
    findings += [
        Finding("samples", "damage", f"{where}/{m}.parquet", "never stored", "rebuild", session)
        for m in sorted(missing)
    ]
    return sha256, findings


def _record_lost(archive: Archive, session: str) -> tuple[str | None, list[Finding]]:
    """Look at a session whose ``session.json`` is not whole, by what the catalogue says."""
    where = f"{layout.SAMPLES}/{session}"
    path = f"{where}/{layout.RECORD}"
    try:
        listed = archive.listed_document(session)
        record = catalogue.session_of(listed)
    except (ArchiveError, ValueError, KeyError, TypeError) as error:
        detail = f"its record is lost: {first_line(error)}"
        return None, [Finding("record", "damage", where, detail, "none", session)]
    place = archive.session_place(session)
    noted = listed.get(catalogue.FILES) or {}
    whole = all(
        not file_fault(place.child(*f.split("/")), n["bytes"], n["sha256"])
        for f, n in noted.items()
    )
    there = all(place.child(f"{stream}.parquet").exists() for stream in record.channels)
    remedy: Remedy = "repair" if there and (whole or not noted) else "rebuild"
    if remedy == "rebuild" and not record.raw_sha256:
        remedy = "none"
    problem = Finding("record", "damage", path, "missing or not what was written", remedy, session)
    return record.raw_sha256, [problem]


def _listed(archive: Archive, session: str) -> Session | None:
    """Return what the catalogue keeps of a session's record, or None when it cannot be read."""
    try:
        return _session(archive.listed_document(session))
    except (ArchiveError, ValueError, TypeError):
        return None


def _session(record: dict[str, Any]) -> Session | None:
    try:
        return catalogue.session_of(record)
    except (KeyError, ValueError, TypeError, AttributeError):
        return None


def read_session_file(place: Place) -> dict[str, Any] | None:
    """Return a session folder's ``session.json``, or None when a byte of it is not as written."""
    try:
        return unsealed(place.child(layout.RECORD).read())
    except OSError:
        return None


def _known_sessions(archive: Archive, findings: list[Finding]) -> list[str]:
    try:
        names = archive.tables.read("sessions", ("session",))["session"].to_list()
    except ArchiveError:  # told already; the sessions are gone through by their folders
        return archive.place.child(layout.SAMPLES).names()
    findings += [
        Finding(
            "catalogue", "damage", f"{layout.TABLES}/sessions", f"listed {n} times", "repair", s
        )
        for s, n in Counter(names).items()
        if n > 1
    ]
    return sorted(set(names))


def _rolls(archive: Archive) -> Iterator[Finding]:
    """Compare what is told of tables in short with their rows; damaged tables are told already."""
    for name in KEYS:
        with contextlib.suppress(ArchiveError, OSError):
            if not archive.rolls.is_true(name):
                detail = "it tells of other sessions or units than its table has rows of"
                where = f"{layout.DOCUMENTS}/{file_of(name)}"
                yield Finding("roll", "damage", where, detail, "repair")


def _documents(archive: Archive) -> Iterator[Finding]:
    for name in documents.all_names(archive.place):
        found = documents.look_at(archive.place, name)
        if found.unfinished:
            where = f"{layout.DOCUMENTS}/{name}"
            detail = "its writer was stopped before it was done"
            yield Finding("document-fresh", "leftover", where, detail, "repair")
            continue
        if found.content is None:
            where = f"{layout.DOCUMENTS}/{name}"
            detail = f"{CHANGED}, and no two of document, copy and digest agree"
            made_again = name.startswith(f"{FOLDER}/")
            kind, remedy = ("roll", "repair") if made_again else ("document", "none")
            yield Finding(kind, "damage", where, detail, remedy)  # type: ignore[arg-type]
            continue
        for part, detail in found.faults:
            where = {
                "document": f"{layout.DOCUMENTS}/{name}",
                "copy": f"{layout.COPIES}/{layout.DOCUMENTS}/{name}",
                "digest": f"{layout.DIGESTS}/{layout.DOCUMENTS}/{name}.json",
            }[part]
            kind = part if part == "document" else f"document-{part}"
            yield Finding(kind, "damage", where, detail, "repair")


def _leftovers(
    archive: Archive, known: set[str], raw_needed: set[str], kept: list[str]
) -> Iterator[Finding]:
    for session in archive.place.child(layout.SAMPLES).names():
        if session not in known:
            detail = "not in the catalogue: its ingest was cut short"
            where = f"{layout.SAMPLES}/{session}"
            yield Finding("session-unlisted", "leftover", where, detail, "repair", session)
    for sha256 in kept:
        if sha256 not in raw_needed:
            detail = "no session came of it"
            yield Finding("raw-unused", "leftover", f"{layout.RAW}/{sha256}", detail, "repair")
    folder = archive.place.folder
    if folder is not None and (folder / layout.STAGING).is_dir():
        for path in sorted((folder / layout.STAGING).iterdir()):
            if path.is_dir() and durable.abandoned(path):
                detail = "left by a run that was stopped"
                where = f"{layout.STAGING}/{path.name}"
                yield Finding("staging", "leftover", where, detail, "repair")
