"""Columns and types of the archive's tables, and how rows are fitted to them.

Delta has no unsigned numbers, no categories and no nanoseconds, and its writer
turns them into something else without a word. Here they are turned openly or
refused. Tables that are not listed take their columns from their first rows.
"""

from __future__ import annotations

import polars as pl

from replay.errors import ArchiveError, first_line

INSTANT = pl.Datetime("us", "UTC")
"""Instants in tables are kept to the microsecond; samples keep nanoseconds."""

TABLES: dict[str, dict[str, pl.DataType]] = {
    "sessions": {
        "session": pl.String(),
        "arm": pl.String(),
        "source": pl.String(),
        "start": INSTANT,
        "end": INSTANT,
        "rows": pl.Int64(),
        "joints": pl.Int64(),
        "base_end": pl.String(),
        "payload_kg": pl.Float64(),
        "person_on_tip": pl.Boolean(),
        "rate_hz": pl.Float64(),
        "completeness": pl.Float64(),
        "earlier": pl.String(),
        "record": pl.String(),
    },
    "flags": {
        "flag": pl.String(),
        "session": pl.String(),
        "joint": pl.String(),
        "unit": pl.String(),
        "kind": pl.String(),
        "start": INSTANT,
        "end": INSTANT,
        "score": pl.Float64(),
        "severity": pl.String(),
        "summary": pl.String(),
        "baseline": pl.String(),
        "group": pl.String(),
        "evidence": pl.String(),
    },
    "checks": {
        "session": pl.String(),
        "baseline": pl.String(),
        "checked_at": INSTANT,
        "expected_false_flags": pl.Float64(),
        "joint_hours": pl.Float64(),
        "asked_rate": pl.Float64(),
        "note": pl.String(),
        "flags": pl.Int64(),
    },
    "indicators": {
        "session": pl.String(),
        "arm": pl.String(),
        "joint": pl.String(),
        "serial": pl.String(),
        "indicator": pl.String(),
        "unit": pl.String(),
        "value": pl.Float64(),
        "se": pl.Float64(),
        "n": pl.Int64(),
        "start": INSTANT,
        "baseline": pl.String(),
        "at": INSTANT,
        "temperature_c": pl.Float64(),
        "load_nm": pl.Float64(),
        "base_end": pl.String(),
    },
}

_SIGNED: dict[type[pl.DataType], pl.DataType] = {
    pl.UInt8: pl.Int16(),
    pl.UInt16: pl.Int32(),
    pl.UInt32: pl.Int64(),
    pl.UInt64: pl.Int64(),
}


def fitted(rows: pl.DataFrame, table: str, present: pl.Schema | None) -> pl.DataFrame:
    """Return ``rows`` with types that Delta keeps as they are.

    Parameters
    ----------
    rows : DataFrame
        What is to be written.
    table : str
        Name of the table.
    present : Schema or None
        Columns that the table has already.

    Raises
    ------
    ArchiveError
        When a value does not fit its column's type: a fraction in a column of
        whole numbers, nanoseconds in a table without a declared type, text in
        a column of numbers, an unsigned number over the signed range.
    """
    declared = TABLES.get(table, {})
    columns = []
    for series in rows.get_columns():
        name = series.name
        there = present.get(name) if present is not None else None
        wanted = there or declared.get(name) or _kept(series.dtype)
        columns.append(_cast(series, wanted, table, declared=name in declared))
    return pl.DataFrame(columns)


def completed(rows: pl.DataFrame, table: str) -> pl.DataFrame:
    """Return ``rows`` with every declared column, null where it was not written."""
    missing = {n: t for n, t in TABLES.get(table, {}).items() if n not in rows.columns}
    if not missing:
        return rows
    return rows.with_columns(pl.lit(None, dtype=t).alias(n) for n, t in missing.items())


def _kept(dtype: pl.DataType) -> pl.DataType:
    """Return the type that Delta keeps for a column that nobody declared."""
    if dtype in (pl.Categorical, pl.Enum, pl.Null):
        return pl.String()
    if isinstance(dtype, pl.Datetime) and dtype.time_unit != "us":
        return pl.Datetime("us", dtype.time_zone)
    return _SIGNED.get(type(dtype), dtype)


def _cast(series: pl.Series, wanted: pl.DataType, table: str, *, declared: bool) -> pl.Series:
    if series.dtype == wanted:
        return series
    problem = None
    if series.dtype.is_float() and wanted.is_integer() and (series != series.round(0)).any():
        problem = "fractions do not fit a column of whole numbers"
    if (
        isinstance(series.dtype, pl.Datetime)
        and series.dtype.time_unit == "ns"
        and not declared
        and (series.to_physical() % 1000 != 0).any()
    ):
        problem = "tables keep microseconds, these instants are finer"
    if problem is None:
        try:
            return series.cast(wanted, strict=True)
        except pl.exceptions.PolarsError as error:
            problem = f"{series.dtype} does not fit {wanted}: {first_line(error)}"
    raise ArchiveError(
        f"table {table!r}: {problem}", column=series.name, todo="cast the column before writing"
    )
