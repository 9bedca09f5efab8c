"""What changed on each unit since the session before, and which way its trend goes."""

from __future__ import annotations

import math

import polars as pl

from replay.archive import Archive
from replay.records import Session
from replay.wear import trends
from replay.wear.catalogue import describe

CERTAIN = 3.0
"""A change is listed from this many standard errors on: of 200 figures compared,
healthy ones show one in two sessions (two-sided normal, 0.27 %)."""

SCHEMA: dict[str, pl.DataType] = {
    "joint": pl.String(),
    "serial": pl.String(),
    "indicator": pl.String(),
    "unit": pl.String(),
    "before": pl.Float64(),
    "now": pl.Float64(),
    "change": pl.Float64(),
    "change_se": pl.Float64(),
    "previous": pl.String(),
    "trend": pl.String(),
    "worse": pl.Boolean(),
}


def wear_changes(archive: Archive, record: Session) -> tuple[pl.DataFrame, int]:
    """Return changes since each unit's session before, the surest first, and how many compared.

    Only indicators that count no use, with a standard error on both sides, and
    a change beyond `CERTAIN` of it, or a trend that is not steady. Conditions
    may differ between the two sessions: the trend is corrected for them, a
    difference of two sessions is not.
    """
    table = archive.rows_of_units("indicators", record.unit_keys)
    own = table.filter(pl.col("session") == record.session)
    if not own.height:
        return pl.DataFrame(schema=SCHEMA), 0
    earlier = table.filter(pl.col("start") < record.start)
    last = earlier.sort("start").group_by("serial", "indicator").last()
    pairs = own.join(last, on=["serial", "indicator"], suffix="_before")
    found = trends(archive, serial=record.unit_keys)
    tells = {(t.serial, t.indicator): t.result for t in found}
    rows = []
    compared = 0
    for row in pairs.sort("joint", "indicator").iter_rows(named=True):
        known = describe(row["indicator"])
        doubt = math.hypot(row["se"] or math.nan, row["se_before"] or math.nan)
        if known.counts_use or not math.isfinite(doubt) or doubt <= 0:
            continue
        compared += 1
        change = row["value"] - row["value_before"]
        trend = tells.get((row["serial"], row["indicator"]), "too-few")
        sure = abs(change) > CERTAIN * doubt and abs(change) >= known.least
        if sure or trend in ("rising", "falling"):
            rows.append(
                {
                    "joint": row["joint"],
                    "serial": row["serial"],
                    "indicator": row["indicator"],
                    "unit": row["unit"],
                    "before": row["value_before"],
                    "now": row["value"],
                    "change": change,
                    "change_se": doubt,
                    "previous": row["session_before"],
                    "trend": trend,
                    "worse": sure and known.worse in ("either", "up" if change > 0 else "down"),
                }
            )
    rows.sort(key=lambda r: -abs(r["change"] / r["change_se"]))
    return pl.DataFrame(rows, schema=SCHEMA), compared
