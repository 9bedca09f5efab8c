"""Tables of a summary that are about joint units: what they did, and how they change."""

from __future__ import annotations

import polars as pl

from replay.archive import Archive
from replay.reports.tables import Table, table
from replay.wear import trends

_USE = {"travel": "travel, deg", "hours moving": "moving, h", "starts": "starts",
        "reversals": "reversals", "brake cycles": "brake cycles", "work": "i² t, A² s"}  # fmt: skip


def use_table(archive: Archive, rows: pl.DataFrame) -> Table:
    """Return what these sessions asked of each unit, from the measured indicators."""
    measured = archive.rows_of("indicators", rows["session"])
    measured = measured.filter(pl.col("indicator").is_in(list(_USE)))
    if not measured.height:
        return table((), (), empty="Not measured yet: `jointbook wear` measures these sessions.")
    sums = measured.group_by("joint", "serial", "indicator").agg(pl.col("value").sum())
    wide = sums.pivot("indicator", index=["joint", "serial"], values="value")
    return table(
        wide.sort("joint", "serial").iter_rows(named=True),
        [("joint", "joint"), ("unit", "serial"), *((head, name) for name, head in _USE.items())],
        note="Sums over these sessions; what happened in gaps or outside the logs is not in them.",
    )


def trend_table(archive: Archive, rows: pl.DataFrame) -> Table:
    """Return what gets worse or better on the units of these sessions."""
    serials = set(archive.rows_of("indicators", rows["session"])["serial"])
    own_trends = trends(archive, serial=serials) if serials else []
    moving = [t for t in own_trends if t.result in ("rising", "falling")]
    few = sum(t.result == "too-few" for t in own_trends)
    return table(
        (
            {
                "joint": t.joint,
                "serial": t.serial,
                "indicator": f"{t.indicator}, {t.unit}",
                "result": t.result,
                "slope": f"{t.slope_per_year:+.3g} ({t.slope_low:+.3g} to {t.slope_high:+.3g})"
                if t.slope_per_year is not None
                else None,
                "last": t.last_value,
                "sessions": t.n,
            }
            for t in moving
        ),
        [
            ("joint", "joint"), ("unit", "serial"), ("indicator", "indicator"), ("trend", "result"),
            ("per year (90 %)", "slope"), ("last value", "last"), ("sessions", "sessions"),
        ],
        note="Trends over all sessions of each unit, not these alone.",
        empty=f"No trend of these units rises or falls; of {len(own_trends)}, {few} have too few "
        "sessions to tell." if own_trends else "Not measured yet: `jointbook wear` measures.",
    )  # fmt: skip
