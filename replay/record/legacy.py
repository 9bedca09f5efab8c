"""What people gave before the record had a database: the archive's own tables.

Read as drafts, each with its whole row, so that nothing of it is lost and the
way back could be written. The tables stay where they are.
"""

from __future__ import annotations

import hashlib
import json
from datetime import datetime
from typing import Any

import orjson

from replay.archive import Archive
from replay.record.entries import Draft, stamp

TABLES = ("reviews", "pins", "maintenance")
LIMITS = "wear/limits.json"
UNKNOWN = "not named"
"""Who set a limit or wrote a maintenance note was not asked for then."""


def kept_before(archive: Archive) -> list[Draft]:
    """Return what the archive's tables hold, oldest first, as drafts of the record."""
    drafts = [
        *_rows(archive, "reviews", "at", _verdict),
        *_rows(archive, "pins", "at", _pin),
        *_rows(archive, "maintenance", "date", _maintenance),
        *_limits(archive),
    ]
    return drafts


def _rows(archive: Archive, table: str, by: str, draft: Any) -> list[Draft]:
    frame = archive.table(table)
    if not frame.height or by not in frame.columns:
        return []
    made = []
    seen: dict[str, int] = {}
    for row in frame.sort(by, maintain_order=True).iter_rows(named=True):
        plain = {k: stamp(v) if isinstance(v, datetime) else v for k, v in row.items()}
        mark = hashlib.sha256(orjson.dumps(plain, option=orjson.OPT_SORT_KEYS)).hexdigest()[:16]
        seen[mark] = seen.get(mark, 0) + 1
        made.append(draft(row, plain | {"moved_from": f"{table}/{mark}/{seen[mark]}"}))
    return made


def _verdict(row: dict[str, Any], plain: dict[str, Any]) -> Draft:
    return Draft(
        kind="verdict",
        subject=row["flag"],
        session=row["session"],
        what=row["verdict"],
        who=row["reviewer"],
        at=row["at"],
        after={
            **{k: plain[k] for k in ("verdict", "note", "moved_from")},
            "flags": [{k: plain.get(k) for k in ("flag", "joint", "kind", "start", "end")}],
        },
    )


def _pin(row: dict[str, Any], plain: dict[str, Any]) -> Draft:
    return Draft(
        kind="pin",
        subject=row["pin"],
        session=row["session"],
        what="pinned" if row.get("text") else "withdrawn",
        who=row["author"],
        at=row["at"],
        after={
            k: plain.get(k)
            for k in ("pin", "session", "start", "end", "joint", "text", "moved_from")
        },
    )


def _maintenance(row: dict[str, Any], plain: dict[str, Any]) -> Draft:
    return Draft(
        kind="maintenance",
        subject=row["note"],
        session=row.get("session") or "",
        what=row["what"],
        who=UNKNOWN,
        at=row["date"],
        after=plain,
    )


def _limits(archive: Archive) -> list[Draft]:
    if LIMITS not in archive.documents("wear"):
        return []
    kept: dict[str, float] = json.loads(archive.read_document(LIMITS))
    return [
        Draft(
            kind="limit",
            subject=key,
            what="set",
            who=UNKNOWN,
            after={"value": float(value), "moved_from": LIMITS},
        )
        for key, value in sorted(kept.items())
    ]


def version(archive: Archive) -> tuple[object, ...]:
    """Return what changes when `kept_before` would return something else."""
    seen: list[object] = [archive.tables.version(t) for t in TABLES]
    there = LIMITS in archive.documents("wear")
    return (*seen, archive.read_document(LIMITS) if there else None)
