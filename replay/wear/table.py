"""Trends as a table of plain columns, to save and to print."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from replay.records import Trend

_OWN = (
    "arm",
    "joint",
    "serial",
    "indicator",
    "unit",
    "n",
    "last_value",
    "slope_per_year",
    "slope_low",
    "slope_high",
    "p_value",
    "verdict",
    "since",
)

SCHEMA: dict[str, pl.DataType] = {
    "arm": pl.String(),
    "joint": pl.String(),
    "serial": pl.String(),
    "indicator": pl.String(),
    "unit": pl.String(),
    "n": pl.Int64(),
    "last_value": pl.Float64(),
    "slope_per_year": pl.Float64(),
    "slope_low": pl.Float64(),
    "slope_high": pl.Float64(),
    "p_value": pl.Float64(),
    "verdict": pl.String(),
    "since": pl.Datetime("us", "UTC"),
    "limit": pl.Float64(),
    "limit_date": pl.Datetime("us", "UTC"),
    "limit_date_low": pl.Datetime("us", "UTC"),
    "limit_date_high": pl.Datetime("us", "UTC"),
    "reason": pl.String(),
}


def trend_table(found: Sequence[Trend]) -> pl.DataFrame:
    """Return one row a trend; columns of `SCHEMA`."""
    rows = []
    for t in found:
        projection = t.detail.get("projection") or {}
        rows.append(
            {name: getattr(t, name) for name in _OWN}
            | {
                "limit": projection.get("limit"),
                "limit_date": projection.get("date"),
                "limit_date_low": projection.get("date_low"),
                "limit_date_high": projection.get("date_high"),
                "reason": t.detail.get("reason") or projection.get("reason") or "",
            }
        )
    return pl.DataFrame(rows, schema=SCHEMA)
