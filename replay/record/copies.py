"""The record's second copy: Parquet documents in the archive.

``record/entries-000000.parquet`` holds the first `SEGMENT` entries, and so on;
only the last segment is written again. ``record/head.json`` is written after
them and names the record and the last entry that is surely there; who is killed
in between leaves segments that hold more than it says, which is no damage: the
chain proves every row. Any Parquet reader opens them.
"""

from __future__ import annotations

import io
import json
from collections.abc import Sequence
from typing import Any

import polars as pl

from replay.archive import Archive
from replay.errors import ArchiveError, RecordError
from replay.record.entries import COLUMNS, Entry, packed, stamp

SEGMENT = 1024
FOLDER = "record"
HEAD = f"{FOLDER}/head.json"

SCHEMA: dict[str, pl.DataType] = {
    name: pl.Int64() if name == "seq" else pl.String() for name in COLUMNS
}


def head(archive: Archive) -> dict[str, Any] | None:
    """Return what the copy says of itself: record, seq, hash; None without a copy."""
    try:  # asked before each answer from the record: no folder is listed for it
        found: dict[str, Any] = json.loads(archive.read_document(HEAD))
        return found if {"record", "seq", "hash"} <= set(found) else None
    except (ValueError, ArchiveError):
        return None


def keep(archive: Archive, record: str, entries: Sequence[Entry]) -> None:
    """Write what the copy lacks; a longer copy of the same record is left alone."""
    if not entries or not record:
        return
    with archive.tables.writing():  # two programs must not lay an older copy over a newer one
        known = head(archive)
        if known is not None and known["record"] != record:
            raise RecordError("the archive's copy is of another record", file=HEAD)
        done = int(known["seq"]) if known else 0
        if known is not None and done >= entries[-1].seq:
            return
        for number in range(done // SEGMENT, (len(entries) - 1) // SEGMENT + 1):
            content = parquet(entries[number * SEGMENT : (number + 1) * SEGMENT])
            archive.write_document(f"{FOLDER}/entries-{number:06d}.parquet", content)
        said = {"record": record, "seq": entries[-1].seq, "hash": entries[-1].hash}
        archive.write_document(HEAD, json.dumps(said, indent=1, sort_keys=True).encode())


def parquet(entries: Sequence[Entry]) -> bytes:
    """Return entries as a Parquet file, columns as they were hashed."""
    body = io.BytesIO()
    pl.DataFrame([_row(e) for e in entries], schema=SCHEMA).write_parquet(body, compression="zstd")
    return body.getvalue()


def read(archive: Archive) -> list[dict[str, Any]]:
    """Return the rows of the copy, in their order.

    Raises
    ------
    RecordError
        There is none, or it lacks something that it says it has.
    """
    known = head(archive)
    if known is None:
        raise RecordError("the archive holds no copy of a record", file=archive.place)
    rows: list[dict[str, Any]] = []
    for number in range((int(known["seq"]) - 1) // SEGMENT + 1):
        name = f"{FOLDER}/entries-{number:06d}.parquet"
        try:
            rows += pl.read_parquet(io.BytesIO(archive.read_document(name))).to_dicts()
        except (ArchiveError, OSError, pl.exceptions.PolarsError) as error:
            raise RecordError("a part of the record's copy cannot be read", file=name) from error
    last = rows[int(known["seq"]) - 1] if len(rows) >= int(known["seq"]) else None
    if last is None or last["hash"] != known["hash"]:
        raise RecordError("the record's copy is not what was written", file=HEAD)
    return rows


def _row(entry: Entry) -> dict[str, Any]:
    return {
        "seq": entry.seq,
        "kind": entry.kind,
        "subject": entry.subject,
        "session": entry.session,
        "who": entry.who,
        "at": stamp(entry.at),
        "what": entry.what,
        "before": packed(entry.before),
        "after": packed(entry.after),
        "previous": entry.previous,
        "hash": entry.hash,
    }
