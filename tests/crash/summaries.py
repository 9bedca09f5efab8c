"""A small indicator table, for what is kept of it in short."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from replay.archive import open_archive
from replay.archive.rolls import roll_of
from replay.wear import judge, limits, maintenance, trends
from replay.wear.assessment import trend_cache
from replay.wear.indicators import SCHEMA

START = datetime(2031, 1, 1, tzinfo=UTC)
UNITS = ("u1", "u2", "u3")


def measured(number: int, value: float = 1.0) -> pl.DataFrame:
    """Return a session's rows: one indicator of each unit."""
    draw = np.random.default_rng(number)
    rows = pl.DataFrame(
        {
            "serial": UNITS,
            "joint": [f"J{u}" for u in UNITS],
            "value": value + 0.1 * draw.normal(size=len(UNITS)),
            "temperature_c": 20 + draw.normal(size=len(UNITS)),
        }
    ).with_columns(
        session=pl.lit(f"s{number:03d}"),
        arm=pl.lit("Heron"),
        indicator=pl.lit("brake drag"),
        unit=pl.lit("A"),
        se=pl.lit(0.05),
        n=pl.lit(5, dtype=pl.Int64),
        start=pl.lit(START + timedelta(days=number)).cast(pl.Datetime("us", "UTC")),
        baseline=pl.lit(""),
        method=pl.lit(1, dtype=pl.Int64),
    )
    missing = [pl.lit(None, dtype=d).alias(c) for c, d in SCHEMA.items() if c not in rows.columns]
    return rows.with_columns(missing).select(list(SCHEMA))


def checked(root: Path) -> tuple[int, float]:
    """Compare what is kept in short with the table; return its sessions and its sum of values."""
    archive = open_archive(root)
    roll = sorted(archive.roll("indicators").rows())
    assert roll == sorted(roll_of("indicators", archive.tables).rows())
    table = trend_cache.indicator_rows(archive)
    whole = judge(table, maintenance(archive), limits(archive))
    for unit in UNITS:
        assert trends(open_archive(root), serial=unit) == [t for t in whole if t.serial == unit]
    assert trends(open_archive(root)) == whole
    return len(roll), round(float(table["value"].sum()), 6)
