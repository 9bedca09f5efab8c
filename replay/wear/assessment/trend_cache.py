"""Keep judged trends in the archive until what they rest on changes.

Judging ten thousand sessions takes seconds, reading the outcome milliseconds.
The outcome is a document stamped with the program and the version of the
indicator table; it is never trusted when the stamp differs. A maintenance note
or a limit concerns few histories: the document says which notes and limits it
knew, and only the histories that they touch are judged again.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from datetime import datetime
from typing import Any

import orjson
import polars as pl

from replay.archive import Archive
from replay.records import Trend
from replay.wear.indicators import METHOD, SCHEMA
from replay.wear.units.limits import limit_for
from replay.wear.units.maintenance import WORDS

PROGRAM = 18
"""Rises when the judging changes."""


@dataclass(frozen=True, slots=True)
class Kept:
    """Trends as they were judged, and the notes and limits known then."""

    trends: list[Trend]
    notes: dict[str, list[str]]
    bounds: dict[str, float]

    def stale(self, notes: dict[str, list[str]], bounds: dict[str, float]) -> list[Trend]:
        """Return the trends whose notes or limit have changed since."""
        serials = {s for s in {*self.notes, *notes} if self.notes.get(s) != notes.get(s)}
        return [
            t
            for t in self.trends
            if t.serial in serials
            or limit_for(self.bounds, t.serial, t.indicator)
            != limit_for(bounds, t.serial, t.indicator)
        ]


def read(archive: Archive, against: str) -> Kept | None:
    """Return kept trends; None when there are none, or program or indicators have changed."""
    name = _name(against)
    if name not in archive.documents("wear"):
        return None
    try:
        kept = orjson.loads(archive.read_document(name))
    except orjson.JSONDecodeError:
        return None
    if kept.get("stamp") != stamp(archive):
        return None
    return Kept([_trend(row) for row in kept["trends"]], kept["notes"], kept["bounds"])


def write(archive: Archive, against: str, kept: Kept) -> None:
    """Keep trends; an archive that cannot be written is left as it is."""
    document = {
        "stamp": stamp(archive),
        "notes": kept.notes,
        "bounds": kept.bounds,
        "trends": [asdict(t) for t in kept.trends],
    }
    try:
        archive.write_document(
            _name(against), orjson.dumps(document, option=orjson.OPT_SERIALIZE_NUMPY)
        )
    except OSError:
        return


def stamp(archive: Archive) -> str:
    """Return what changes whenever indicators or the program change."""
    return f"program {PROGRAM}.{METHOD}; indicators {archive.tables.version('indicators')}"


def splitting(notes: pl.DataFrame) -> dict[str, list[str]]:
    """Return, per serial, the works that split its history, as text."""
    found: dict[str, list[str]] = {}
    for row in notes.iter_rows(named=True):
        if WORDS.get(row["what"], False):
            found.setdefault(row["serial"], []).append(f"{row['date'].isoformat()} {row['what']}")
    return {serial: sorted(works) for serial, works in found.items()}


def indicator_rows(archive: Archive) -> pl.DataFrame:
    """Return the indicator table as it stands, with all its columns."""
    table = archive.table("indicators")
    if not table.height:
        return pl.DataFrame(schema=SCHEMA)
    missing = [pl.lit(None, dtype=d).alias(c) for c, d in SCHEMA.items() if c not in table.columns]
    return table.with_columns(missing).select(list(SCHEMA))


def _name(against: str) -> str:
    return f"wear/trends-{against}.json"


_TIMES = (
    "first", "last", "at", "date", "date_low", "date_high", "date_line", "horizon", "moved_since"
)  # fmt: skip


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
