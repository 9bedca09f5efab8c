"""Keep judged trends in the archive, by joint unit, until what they rest on changes.

Judging ten thousand sessions takes seconds, reading the outcome milliseconds. The
outcome is a table in the order of units: a row says of one history what was concluded,
by which program, as of which state of the indicator table, knowing which limit and
which maintenance, and what the other units of the kind told it. So each unit's rows
are believed or not by themselves, whoever was stopped when, and one unit is judged
again without reading the others.

Longer than 245 lines because what a row keeps is written and read side by side.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any

import numpy as np
import orjson
import polars as pl

from replay.archive import Archive
from replay.errors import ArchiveError
from replay.records import Trend
from replay.wear.histories.kind_law import NEWCOMER, TERMS, KindLaw, Laws
from replay.wear.indicators import METHOD, SCHEMA
from replay.wear.units.limits import limit_for
from replay.wear.units.maintenance import WORDS

PROGRAM = 19
"""Rises when the judging changes."""

INDICATORS = "indicators"

WHOLE_BYTES = 16 << 20
"""An indicator table up to so large is read whole whenever anything in it has changed, and
what units of a kind tell one another is learned anew. In a larger one a unit whose rows
changed is judged with what the others told when all were judged last."""

TABLE: dict[str, pl.DataType] = {
    "serial": pl.String(),
    "arm": pl.String(),
    "joint": pl.String(),
    "indicator": pl.String(),
    "program": pl.String(),
    "mark": pl.String(),
    "works": pl.String(),
    "limit": pl.Float64(),
    "record": pl.String(),
    "law": pl.List(pl.Float64()),
}
"""Columns of the tables. The row without serial and indicator says as of when all were judged;
those without a serial have what the units tell one that was not among them."""


@dataclass(frozen=True, slots=True)
class Kept:
    """Trends as they were judged, and what they rest on."""

    trends: list[Trend]
    knew: Mapping[tuple[str, str], tuple[str, float | None]]
    """By serial and indicator: the unit's maintenance and its limit, as they were known."""
    marks: Mapping[str, str]
    """By serial: the state of the indicator table; of `NEWCOMER` when all were judged last."""
    laws: Laws
    touched: frozenset[str]
    """Units of which rows came or went since they were judged, known here or not."""
    behind: bool
    """Whether any unit's rows came or went since all were judged."""

    def stale(
        self, notes: Mapping[str, Sequence[str]], bounds: Mapping[str, float]
    ) -> set[tuple[str, str]]:
        """Return serial and indicator of trends whose notes or limit have changed since."""
        return {
            (t.serial, t.indicator)
            for t in self.trends
            if self.knew[t.serial, t.indicator]
            != (_works(notes, t.serial), limit_for(dict(bounds), t.serial, t.indicator))
        }

    def law(self, serial: str, indicator: str) -> KindLaw | None:
        """Return what the others told a unit, or would tell it where it is new."""
        return self.laws.get((serial if serial in self.marks else NEWCOMER, indicator))


def read(archive: Archive, against: str, serials: Collection[str] | None = None) -> Kept | None:
    """Return kept trends, of some units or of all.

    None when there are none of this program, or it cannot be told what changed since.
    """
    name = table_name(against)
    if archive.tables.version(name) is None:
        return None
    if serials is None:
        rows = archive.table(name)
    else:
        rows = archive.rows_of_units(name, {*serials, NEWCOMER})
    rows = rows.filter(pl.col("program") == program())
    marks: dict[str, str] = dict(rows.select("serial", "mark").unique().iter_rows())
    if not rows.filter((pl.col("serial") == NEWCOMER) & (pl.col("indicator") == "")).height:
        return None
    since: dict[str, set[str]] = {}
    for mark in set(marks.values()):
        units = archive.units_since(INDICATORS, mark)
        if units is None:
            return None
        since[mark] = units
    whole = since[marks[NEWCOMER]]
    touched = {s for s in whole if s in since[marks.get(s, marks[NEWCOMER])]}
    trends, knew, laws = [], {}, {}
    for row in rows.iter_rows(named=True):
        key = row["serial"], row["indicator"]
        if row["record"]:
            trends.append(_trend(orjson.loads(row["record"])))
            knew[key] = row["works"], row["limit"]
        if row["law"]:
            laws[key] = _law(row["law"])
    return Kept(trends, knew, marks, laws, frozenset(touched - {""}), bool(whole))


def write(
    archive: Archive,
    against: str,
    kept: Kept,
    notes: Mapping[str, Sequence[str]],
    bounds: Mapping[str, float],
    *,
    only: Collection[str] | None = None,
) -> None:
    """Keep trends of all units, or of some; an archive that cannot be written stays as it is.

    One commit, so nobody ever meets half of them.
    """
    trends = {(t.serial, t.indicator): t for t in kept.trends}
    keys = sorted({*trends, *kept.laws, (NEWCOMER, "")})
    rows: list[dict[str, Any]] = []
    for serial, indicator in keys:
        if only is not None and serial not in only:
            continue
        t = trends.get((serial, indicator))
        law = kept.laws.get((serial, indicator))
        rows.append(
            {
                "serial": serial,
                "arm": "" if t is None else t.arm,
                "joint": "" if t is None else t.joint,
                "indicator": indicator,
                "program": program(),
                "mark": kept.marks.get(serial, kept.marks[NEWCOMER]),
                "works": _works(notes, serial),
                "limit": None if t is None else limit_for(dict(bounds), serial, indicator),
                "record": None if t is None else _text(t),
                "law": None if law is None else _numbers(law),
            }
        )
    name = table_name(against)
    try:
        there: Iterable[str] = only or ()
        if only is None and archive.tables.version(name) is not None:
            there = archive.tables.read(name, ("serial",))["serial"]
        gone = sorted({*there, *(row["serial"] for row in rows)})
        archive.tables.replace(name, pl.DataFrame(rows, schema=TABLE), "serial", gone)
    except (OSError, ArchiveError):
        return


def is_small(archive: Archive) -> bool:
    """Tell whether the indicator table is read whole whenever something in it has changed."""
    return archive.tables.size(INDICATORS) <= WHOLE_BYTES


def program() -> str:
    """Return what changes whenever the program changes what it measures or concludes."""
    return f"program {PROGRAM}.{METHOD}"


def splitting(notes: pl.DataFrame) -> dict[str, list[str]]:
    """Return, per serial, the works that split its history, as text."""
    found: dict[str, list[str]] = {}
    for row in notes.iter_rows(named=True):
        if WORDS.get(row["what"], False):
            found.setdefault(row["serial"], []).append(f"{row['date'].isoformat()} {row['what']}")
    return {serial: sorted(works) for serial, works in found.items()}


def indicator_rows(archive: Archive, serials: Iterable[str] | None = None) -> pl.DataFrame:
    """Return the indicator table as it stands, or some units' rows of it, with all columns."""
    if serials is None:
        table = archive.table(INDICATORS)
    else:
        table = archive.rows_of_units(INDICATORS, serials)
    if not table.height:
        return pl.DataFrame(schema=SCHEMA)
    missing = [pl.lit(None, dtype=d).alias(c) for c, d in SCHEMA.items() if c not in table.columns]
    return table.with_columns(missing).select(list(SCHEMA))


def table_name(against: str) -> str:
    """Return the table of what was judged against an axis."""
    return f"trends-{against}"


def _works(notes: Mapping[str, Sequence[str]], serial: str) -> str:
    return "\n".join(notes.get(serial, ()))


def _text(t: Trend) -> str:
    return orjson.dumps(t, option=orjson.OPT_SERIALIZE_NUMPY).decode()


def _numbers(law: KindLaw) -> list[float]:
    shares = (law.mean, law.covariance.ravel(), law.chances)
    return [law.reference_c, float(law.units), *np.concatenate(shares).tolist()]


def _law(numbers: Sequence[float]) -> KindLaw:
    n = len(TERMS)
    values = np.array(numbers)
    covariance = values[2 + n : 2 + n + n * n].reshape(n, n)
    rest = values[2 + n + n * n :]
    return KindLaw(numbers[0], values[2 : 2 + n], covariance, int(numbers[1]), rest)


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
