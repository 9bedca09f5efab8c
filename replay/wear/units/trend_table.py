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
    "result",
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
    "result": pl.String(),
    "since": pl.Datetime("us", "UTC"),
    "limit": pl.Float64(),
    "limit_date": pl.Datetime("us", "UTC"),
    "limit_date_low": pl.Datetime("us", "UTC"),
    "limit_date_high": pl.Datetime("us", "UTC"),
    "reason": pl.String(),
    "against": pl.String(),
    "axis_unit": pl.String(),
    "slope": pl.Float64(),
    "slope_axis_low": pl.Float64(),
    "slope_axis_high": pl.Float64(),
    "limit_use": pl.Float64(),
    "limit_use_low": pl.Float64(),
    "limit_use_high": pl.Float64(),
    "remaining_years": pl.Float64(),
    "remaining_years_low": pl.Float64(),
    "remaining_years_high": pl.Float64(),
}
"""``slope`` and the use at a limit are in ``axis_unit``: the axis asked for."""

_OF_DETAIL = ("against", "axis_unit", "slope", "slope_axis_low", "slope_axis_high")
_OF_PROJECTION = {
    "limit": "limit",
    "limit_date": "date",
    "limit_date_low": "date_low",
    "limit_date_high": "date_high",
    "limit_use": "use",
    "limit_use_low": "use_low",
    "limit_use_high": "use_high",
    "remaining_years": "remaining_years",
    "remaining_years_low": "remaining_years_low",
    "remaining_years_high": "remaining_years_high",
}


def trend_table(found: Sequence[Trend]) -> pl.DataFrame:
    """Return one row a trend; columns of `SCHEMA`."""
    rows = []
    for t in found:
        projection = t.detail.get("projection") or {}
        rows.append(
            {name: getattr(t, name) for name in _OWN}
            | {name: projection.get(key) for name, key in _OF_PROJECTION.items()}
            | {name: t.detail.get(name) for name in _OF_DETAIL}
            | {"reason": t.detail.get("reason") or projection.get("reason") or ""}
        )
    return pl.DataFrame(rows, schema=SCHEMA)
