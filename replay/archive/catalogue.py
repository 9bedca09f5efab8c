"""A session's record as the catalogue's row and as the file beside its samples.

The row makes a session known. The file (``session.json``) says the same and
holds the digest of every file of the session, so the catalogue can be written
again from the folders alone.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields
from datetime import datetime
from typing import Any

import polars as pl

from replay.archive.schemas import TABLES
from replay.records import QualityNote, Session

EARLIER = "earlier"
"""Column with the names that a session had, the last one first, joined by slashes."""
SUMMARY: tuple[str, ...] = tuple(c for c in TABLES["sessions"] if c not in ("record", EARLIER))
"""What a list of sessions needs; the record itself is read one by one."""

FILES = "files"
INSTEAD_OF = "instead_of"
"""The sessions that this one completed, each in place of the next; they left the catalogue."""


def oldest_first(rows: pl.DataFrame) -> pl.DataFrame:
    """Return the catalogue's rows, one a session, by their start."""
    return rows.unique("session", keep="first").sort("start", "session")


def row(session: Session, document: Mapping[str, Any] | None = None) -> pl.DataFrame:
    """Return the catalogue's row of one session.

    With the content of its ``session.json`` the row keeps the files' digests
    too, so that neither depends on the other.
    """
    values: dict[str, Any] = {c: getattr(session, c) for c in SUMMARY if c != "joints"}
    values |= {"joints": len(session.joints), "record": record_text(session, document)}
    values[EARLIER] = "/".join(earlier_names(document or {})) or None
    schema = TABLES["sessions"]
    return pl.DataFrame({c: [values[c]] for c in schema}, schema=schema)


def record_text(session: Session, document: Mapping[str, Any] | None = None) -> str:
    """Return one session's record as JSON, with its files' digests where they are known."""
    plain = asdict(session)
    if document is not None:
        files = document["files"]
        kept = {f: {k: files[f][k] for k in ("sha256", "bytes")} for f in files}
        plain |= {FILES: kept, INSTEAD_OF: earlier_names(document)}
    return json.dumps(plain, default=datetime.isoformat, sort_keys=True)


def session_document(
    session: Session, files: Mapping[str, Mapping[str, Any]], earlier: Sequence[str] = ()
) -> dict[str, Any]:
    """Return what ``session.json`` says: the record, the files' digests, its earlier names."""
    record = json.loads(record_text(session))
    return {"record": record, FILES: dict(files), INSTEAD_OF: list(earlier)}


def earlier_names(document: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the names that a session had before, the last one first."""
    said = document.get(INSTEAD_OF) or ()
    return (said,) if isinstance(said, str) else tuple(said)


def session_of(data: dict[str, Any]) -> Session:
    """Return a session's record from its JSON document; unknown keys are left out."""
    known = {f.name for f in fields(Session)}
    data = {k: v for k, v in data.items() if k in known}
    data["start"] = datetime.fromisoformat(data["start"])
    data["end"] = datetime.fromisoformat(data["end"])
    data["joints"] = tuple(data["joints"])
    # Records of earlier programs put a joint's own name where no serial was known.
    data["units"] = {joint: unit for joint, unit in data["units"].items() if unit != joint}
    # main first: where two recorders have a channel, the first stream that has it is read
    held = sorted(data["channels"].items(), key=lambda item: item[0] != "main")
    data["channels"] = {k: tuple(v) for k, v in held}
    data["switched_off"] = tuple(data.get("switched_off", ()))
    data["quality"] = tuple(_note(q) for q in data.get("quality", ()))
    return Session(**data)


def _note(data: dict[str, Any]) -> QualityNote:
    known = {f.name for f in fields(QualityNote)}
    data = {k: v for k, v in data.items() if k in known}
    for edge in ("start", "end"):
        if data.get(edge):
            data[edge] = datetime.fromisoformat(data[edge])
    return QualityNote(**data)
