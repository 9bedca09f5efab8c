"""A session's record as the catalogue's row and as the file beside its samples.

The row makes a session known. The file (``session.json``) says the same and
holds the digest of every file of the session, so the catalogue can be written
again from the folders alone.
"""

from __future__ import annotations

import json
from dataclasses import asdict, fields
from datetime import datetime
from typing import Any

import polars as pl

from replay.archive.schemas import TABLES
from replay.records import QualityNote, Session

SUMMARY: tuple[str, ...] = tuple(c for c in TABLES["sessions"] if c != "record")
"""What a list of sessions needs; the record itself is read one by one."""


def row(session: Session) -> pl.DataFrame:
    """Return the catalogue's row of one session."""
    values: dict[str, Any] = {c: getattr(session, c) for c in SUMMARY if c != "joints"}
    values |= {"joints": len(session.joints), "record": record_text(session)}
    schema = TABLES["sessions"]
    return pl.DataFrame({c: [values[c]] for c in schema}, schema=schema)


def record_text(session: Session) -> str:
    """Return one session's record as JSON."""
    return json.dumps(asdict(session), default=datetime.isoformat, sort_keys=True)


def session_file(session: Session, digests: dict[str, dict[str, Any]]) -> bytes:
    """Return the content of ``session.json``: the record and the files' digests."""
    record = json.loads(record_text(session))
    return json.dumps({"record": record, "files": digests}, indent=1, sort_keys=True).encode()


def session_of(data: dict[str, Any]) -> Session:
    """Return a session's record from its JSON document; unknown keys are left out."""
    known = {f.name for f in fields(Session)}
    data = {k: v for k, v in data.items() if k in known}
    data["start"] = datetime.fromisoformat(data["start"])
    data["end"] = datetime.fromisoformat(data["end"])
    data["joints"] = tuple(data["joints"])
    # Records of earlier programs put a joint's own name where no serial was known.
    data["units"] = {joint: unit for joint, unit in data["units"].items() if unit != joint}
    data["channels"] = {k: tuple(v) for k, v in data["channels"].items()}
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
