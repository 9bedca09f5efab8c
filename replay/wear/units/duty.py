"""What each unit has done since it was installed: travel, starts, brake cycles, work.

Counted from the unit's first session in the archive, or from the last
``replaced`` in its maintenance log, where a place and not a serial number names
it. What it did where no log was kept is not in it.
"""

from __future__ import annotations

import polars as pl

from replay.archive import Archive
from replay.wear.catalogue import INDICATORS
from replay.wear.units.maintenance import maintenance

COUNTED = tuple(i.name for i in INDICATORS if i.counts_use)

SCHEMA: dict[str, pl.DataType] = {
    "serial": pl.String(),
    "arm": pl.String(),
    "joint": pl.String(),
    "indicator": pl.String(),
    "unit": pl.String(),
    "total": pl.Float64(),
    "se": pl.Float64(),
    "sessions": pl.Int64(),
    "since": pl.Datetime("us", "UTC"),
    "until": pl.Datetime("us", "UTC"),
}


def duty(archive: Archive, serial: str | None = None) -> pl.DataFrame:
    """Return the use of each unit since its installation.

    Parameters
    ----------
    archive : Archive
    serial : str, optional
        Only this unit.

    Returns
    -------
    DataFrame
        Columns of `SCHEMA`; a row a unit and counting indicator. ``se`` is the
        standard error of the total, sessions taken as independent.
    """
    if serial is None:
        scanned = archive.scan_table("indicators")
    else:
        scanned = archive.rows_of_units("indicators", [serial]).lazy()
    if scanned is None:
        return pl.DataFrame(schema=SCHEMA)
    rows = scanned.filter(pl.col("indicator").is_in(COUNTED))
    return duty_of(rows.collect(), maintenance(archive))


def duty_of(rows: pl.DataFrame, notes: pl.DataFrame) -> pl.DataFrame:
    """Return the use of each unit from indicator rows and maintenance notes."""
    installed = (
        notes.filter(pl.col("what") == "replaced")
        .group_by("serial")
        .agg(pl.col("date").max().alias("installed"))
    )
    # A note that a unit was replaced ends the life of the unit that it names
    # by serial; where the name is a place's, another unit goes on under it.
    later = pl.col("start") >= pl.col("installed")
    since = pl.col("installed").is_null() | later | ~later.any().over("serial")
    order = {name: k for k, name in enumerate(COUNTED)}
    return (
        rows.lazy()
        .filter(pl.col("indicator").is_in(COUNTED))
        .join(installed.lazy(), on="serial", how="left")
        .filter(since)
        .sort("start")
        .group_by("serial", "indicator")
        .agg(
            pl.col("arm").last(),
            pl.col("joint").last(),
            pl.col("unit").last(),
            pl.col("value").fill_nan(0.0).sum().alias("total"),
            (pl.col("se").fill_nan(0.0) ** 2).sum().sqrt().alias("se"),
            pl.len().cast(pl.Int64).alias("sessions"),
            pl.col("start").first().alias("since"),
            pl.col("start").last().alias("until"),
        )
        .sort("arm", "joint", "serial", pl.col("indicator").replace_strict(order, default=99))
        .select(list(SCHEMA))
        .collect()
    )
