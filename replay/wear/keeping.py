"""Keep judged trends in the archive until what they rest on changes.

Judging ten thousand sessions takes seconds, reading the outcome milliseconds.
The outcome is a document stamped with the versions of the tables it came
from; it is never trusted when a stamp differs.
"""

from __future__ import annotations

from dataclasses import asdict, fields
from datetime import datetime
from typing import Any

import orjson
import polars as pl

from replay.archive import Archive
from replay.records import Trend
from replay.wear.indicators import METHOD, SCHEMA
from replay.wear.limits import DOCUMENT as LIMITS

PROGRAM = 7
"""Rises when the judging changes."""


def read(archive: Archive, against: str) -> list[Trend] | None:
    """Return kept trends; None when there are none or something has changed."""
    name = _name(against)
    if name not in archive.documents("wear"):
        return None
    try:
        kept = orjson.loads(archive.read_document(name))
    except orjson.JSONDecodeError:
        return None
    if kept.get("stamp") != stamp(archive):
        return None
    return [_trend(row) for row in kept["trends"]]


def write(archive: Archive, against: str, found: list[Trend]) -> None:
    """Keep trends; an archive that cannot be written is left as it is."""
    document = {"stamp": stamp(archive), "trends": [asdict(t) for t in found]}
    try:
        archive.write_document(
            _name(against), orjson.dumps(document, option=orjson.OPT_SERIALIZE_NUMPY)
        )
    except OSError:
        return


def stamp(archive: Archive) -> str:
    """Return what changes whenever indicators, notes or limits change."""
    parts = [f"program {PROGRAM}.{METHOD}"]
    parts += [f"{name} {archive.tables.version(name)}" for name in ("indicators", "maintenance")]
    if LIMITS in archive.documents("wear"):
        parts.append(archive.read_document(LIMITS).decode())
    return "; ".join(parts)


def indicator_rows(archive: Archive) -> pl.DataFrame:
    """Return the indicator table as it stands, with all its columns."""
    table = archive.table("indicators")
    if not table.height:
        return pl.DataFrame(schema=SCHEMA)
    missing = [pl.lit(None, dtype=d).alias(c) for c, d in SCHEMA.items() if c not in table.columns]
    return table.with_columns(missing).select(list(SCHEMA))


def _name(against: str) -> str:
    return f"wear/trends-{against}.json"


_TIMES = ("first", "last", "at", "date", "date_low", "date_high", "horizon")


def _trend(row: dict[str, Any]) -> Trend:
    known = {f.name for f in fields(Trend)}
    row = {k: v for k, v in row.items() if k in known}
    row["since"] = _time(row["since"])
    row["detail"] = _with_times(row["detail"])
    return Trend(**row)


def _with_times(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _time(v) if k in _TIMES else _with_times(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_with_times(v) for v in value]
    return value


def _time(value: Any) -> datetime | None:
    return datetime.fromisoformat(value) if isinstance(value, str) else None
