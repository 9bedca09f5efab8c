"""Find what is damaged, missing or left over in an archive.

Every stored file has a SHA-256 that was noted when it was written: samples and
overviews in their session's ``session.json``, logs in ``raw.json``, files of
tables and documents in ``digests/``. `verify` reads everything and compares;
it changes nothing.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Literal

import polars as pl
from deltalake import DeltaTable
from deltalake.exceptions import DeltaError

from replay.archive import catalogue, durable, layout
from replay.archive.place import Place
from replay.archive.store import Archive
from replay.archive.tables import LOG
from replay.errors import ArchiveError
from replay.records import Session

Weight = Literal["damage", "leftover"]
Remedy = Literal["repair", "rebuild", "ingest the log again", "check again", "none"]

_PIECE = 8 << 20


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is not as it should be.

    ``remedy`` says what mends it: ``jointbook archive repair`` or ``rebuild``,
    ingesting the log again, checking again, or none.
    """

    kind: str
    weight: Weight
    where: str
    detail: str
    remedy: Remedy
    session: str | None = None


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
    findings = [f for name in table_names(archive) for f in check_table(archive, name)]
    known = _known_sessions(archive, findings)
    raw_needed: dict[str, str] = {}
    with ThreadPoolExecutor(2) as pool:
        found = pool.map(lambda s: check_session(archive, s), known)
        for session, result in zip(progress(known), found, strict=True):
            sha256, problems = result
            findings += problems
            if sha256:
                raw_needed.setdefault(sha256, session)
        kept = archive.place.child(layout.RAW).names()
        for problems in pool.map(lambda sha256: check_raw(archive, sha256), kept):
            findings += problems
    findings += [
        Finding("raw-missing", "damage", f"{layout.RAW}/{sha256}", "the log is not here", "none", s)
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


def table_names(archive: Archive) -> list[str]:
    """Return the tables that have a folder, readable or not."""
    return archive.place.child(layout.TABLES).names()


def check_table(archive: Archive, name: str) -> list[Finding]:
    """Look at one table: its log, its active files, their digests."""
    place = archive.place.child(layout.TABLES, name)
    where = f"{layout.TABLES}/{name}"
    if not place.child("_delta_log").files():
        return [Finding("table-empty", "leftover", where, "no commit was ever made", "repair")]
    noted = noted_digests(archive.place, name)
    torn = torn_commits(place)
    if torn:
        detail = "a commit was cut short, as by a power cut"
        return [Finding("table-log", "damage", f"{where}/{torn[0]}", detail, "repair")]
    try:
        files = active_files(place)
    except (DeltaError, OSError) as error:
        detail = f"the commit log cannot be read: {str(error).splitlines()[0]}"
        return [Finding("table-log", "damage", where, detail, "repair")]
    findings = [
        Finding(
            "table-log", "damage", f"{where}/{file}", "its bytes changed since it was written",
            "repair",
        )
        for file in changed_commits(place, noted)
    ]  # fmt: skip
    for file, size in files.items():
        fault = _file_fault(place.child(file), size, noted.get(file))
        if fault:
            findings.append(Finding("table-file", "damage", f"{where}/{file}", fault, "repair"))
    return findings


def torn_commits(place: Place) -> list[str]:
    """Return the commits at the end of a table's log that are not whole, newest first."""
    torn = []
    for name in reversed(place.child("_delta_log").names()):
        if not name.endswith(".json"):
            continue
        try:
            lines = place.child("_delta_log", name).read().splitlines()
            _ = [json.loads(line) for line in lines or [b""]]
        except ValueError:
            torn.append(f"_delta_log/{name}")
        else:
            break
    return torn


def changed_commits(place: Place, noted: Mapping[str, str]) -> list[str]:
    """Return the commits that are not what was written; those summed up and gone do not count."""
    return [
        file
        for file in (f"{LOG}/{name}" for name in place.child(LOG).names())
        if file in noted and digest_of(place.child(file)) != noted[file]
    ]


def active_files(place: Place) -> dict[str, int]:
    """Return the files of a table's last commit with their lengths in bytes."""
    delta = DeltaTable(place.url, storage_options=place.options)
    actions = pl.DataFrame(delta.get_add_actions(flatten=True))
    return dict(zip(actions["path"], actions["size_bytes"], strict=True))


def check_session(archive: Archive, session: str) -> tuple[str | None, list[Finding]]:
    """Look at one session's files; return its log's digest and what is wrong."""
    place = archive.session_place(session)
    where = f"{layout.SAMPLES}/{session}"
    document = read_session_file(place)
    if document is None:
        try:
            record = archive.session(session)
        except (ArchiveError, ValueError, KeyError) as error:
            return None, [
                Finding("record", "damage", where, f"its record is lost: {error}", "none", session)
            ]
        problem = Finding(
            "record", "damage", f"{where}/{layout.RECORD}", "missing or unreadable",
            "rebuild" if record.raw_sha256 else "repair", session,
        )  # fmt: skip
        return record.raw_sha256, [problem]
    findings = []
    listed = _listed(archive, session)
    if listed is not None and listed != _session(document["record"]):
        detail = "says other than the catalogue: its bytes changed since it was written"
        findings.append(
            Finding("record", "damage", f"{where}/{layout.RECORD}", detail, "repair", session)
        )
    sha256 = document["record"].get("raw_sha256")
    for file, noted in document["files"].items():
        fault = _file_fault(place.child(file), noted["bytes"], noted["sha256"])
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


def _listed(archive: Archive, session: str) -> Session | None:
    """Return what the catalogue keeps of a session's record, or None when it cannot be read."""
    try:
        rows = archive.tables.read("sessions", ("session", "record"))
        (text,) = rows.filter(pl.col("session") == session)["record"]
        return _session(json.loads(text))
    except (ArchiveError, ValueError, TypeError):
        return None


def _session(record: dict[str, Any]) -> Session | None:
    try:
        return catalogue.session_of(record)
    except (KeyError, ValueError, TypeError, AttributeError):
        return None


def check_raw(archive: Archive, sha256: str) -> list[Finding]:
    """Look at one log as it came."""
    place = archive.place.child(layout.RAW, sha256)
    where = f"{layout.RAW}/{sha256}"
    listed = read_raw_list(place)
    if listed is None:
        return [Finding("raw", "damage", where, f"{layout.RAW_LIST} is missing", "repair")]
    findings = []
    for item in listed:
        fault = _file_fault(place.child(item["file"]), item["bytes"], item["sha256"])
        if fault:
            findings.append(
                Finding("raw", "damage", f"{where}/{item['file']}", fault, "ingest the log again")
            )
    return findings


def read_session_file(place: Place) -> dict[str, Any] | None:
    """Return a session folder's ``session.json``, or None when it does not hold one."""
    try:
        document = json.loads(place.child(layout.RECORD).read())
        _ = document["record"]["session"], document["record"]["channels"], document["files"].items()
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None
    return dict(document)


def read_raw_list(place: Place) -> list[dict[str, Any]] | None:
    """Return what ``raw.json`` lists, in reading order, or None."""
    try:
        return list(json.loads(place.child(layout.RAW_LIST).read())["files"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


def noted_digests(root: Place, ledger: str) -> dict[str, str]:
    """Return the digests noted for a table's files or for documents; the last counts."""
    place = root.child(layout.DIGESTS, f"{ledger}.ndjson")
    if place.folder is None or not place.exists():
        return {}
    noted = {}
    for line in place.read().splitlines():
        try:
            item = json.loads(line)
            noted[item["file"]] = item["sha256"]
        except (ValueError, KeyError, TypeError):  # a line cut by a kill: its file is newer
            continue
    return noted


def digest_of(place: Place) -> str:
    """Return a stored file's SHA-256, piece by piece."""
    seen = hashlib.sha256()
    with place.open() as handle:
        while piece := handle.read(_PIECE):
            seen.update(piece)
    return seen.hexdigest()


def _file_fault(place: Place, size: int, sha256: str | None) -> str | None:
    try:
        if not place.exists():
            return "missing"
        if place.size() != size:
            return f"{place.size()} bytes where {size} were written"
        if sha256 is not None and digest_of(place) != sha256:
            return "its bytes changed since it was written"
        if sha256 is None:
            place.scan().collect()
    except (OSError, pl.exceptions.PolarsError) as error:
        return f"cannot be read: {str(error).splitlines()[0]}"
    return None


def _known_sessions(archive: Archive, findings: list[Finding]) -> list[str]:
    try:
        names = archive.tables.read("sessions", ("session",))["session"].to_list()
    except ArchiveError:
        return []
    findings += [
        Finding(
            "catalogue", "damage", f"{layout.TABLES}/sessions", f"listed {n} times", "repair", s
        )
        for s, n in Counter(names).items()
        if n > 1
    ]
    return sorted(set(names))


def _documents(archive: Archive) -> Iterator[Finding]:
    noted = noted_digests(archive.place, layout.DOCUMENTS)
    for name in archive.documents(""):
        place = archive.place.child(layout.DOCUMENTS, name)
        if name in noted and digest_of(place) != noted[name]:
            detail = "its bytes changed since it was written"
            yield Finding("document", "damage", f"{layout.DOCUMENTS}/{name}", detail, "none")


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
