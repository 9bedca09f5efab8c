"""Current against speed for one joint: its samples and what is learned of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from dashboards.failure_words import failure_text
from dashboards.figures.packing import Group, Singles
from dashboards.links import to_datetime
from dashboards.queries.session.derived import DIRECT_ROWS
from dashboards.queries.session.sessions import Outline
from replay.archive import Archive
from replay.errors import ArchiveError, BaselineError, DamageError
from replay.signals import joint_table, joint_tables
from replay.units import JOINT_TABLE

if TYPE_CHECKING:
    from replay.models import Baseline

EXCERPTS = 6
EXCERPT_ROWS = 1000
"""Excerpts of a window that is too long to be read whole. Each costs 30 ms of the server's time,
however short: ten of 3,000 rows took half a second from whoever moved on (measured)."""
MOST_POINTS = 3000
MIDDLE_S = 2.0
"""Stretch in a window's middle from which the posture of its band is taken, s."""
GRID = 61
"""Speeds at which the learned band is asked for, both directions together."""


def plane(
    archive: Archive,
    found: Outline,
    base: Baseline | None,
    joint: str,
    start_s: float,
    end_s: float,
) -> tuple[list[Group], dict[str, Any]]:
    """Return samples (rate, current) of a window and the band beside them.

    A window of many rows is shown by excerpts spread over it. The band holds
    for steady motion at the window's median temperature, load and
    payload, and at the posture in its middle; ``seen`` says where the baseline has
    met such speeds.
    """
    try:
        table = _excerpts(archive, found, joint, start_s, end_s)
    except DamageError:
        raise
    except ArchiveError:
        return [], {"note": f"no motor current of {joint} in this window"}
    table = table.filter(pl.col("rate_deg_s").is_not_null(), pl.col("current_a").is_not_null())
    if not table.height:
        return [], {"note": "no sample with both a rate and a current in this window"}
    shown = table.gather_every(max(1, table.height // MOST_POINTS))
    series = {n: _pair(shown[n]) for n in ("rate_deg_s", "current_a")}
    groups = [Group(shown["t_s"].to_numpy(), series, True, 0.0)]
    if base is None:
        return groups, {}
    unit = found.record.unit(joint)
    grid = _steady(table)
    try:
        still = _posture(archive, found, grid, start_s, end_s, base.follows_posture(unit))
        band = base.expected(grid, unit, still)
    except BaselineError as error:
        return groups, {"note": failure_text(error)}
    lines = {n: _pair(band[n]) for n in ("expected_a", "low_a", "high_a")}
    lines["rate_deg_s"] = _pair(grid["rate_deg_s"])
    lines["seen"] = _pair(band["seen"].cast(pl.Float32))
    groups.append(Group(np.arange(grid.height, dtype=np.float64), lines, True, 0.0))
    return groups, {"band": True}


def _excerpts(
    archive: Archive, found: Outline, joint: str, start_s: float, end_s: float
) -> pl.DataFrame:
    rate = found.record.rate_hz or 1.0
    rows = rate * (end_s - start_s)
    if rows <= DIRECT_ROWS:
        spans = [(start_s, end_s)]
    else:
        long = EXCERPT_ROWS / rate
        starts = np.linspace(start_s, end_s - long, EXCERPTS)
        spans = [(float(s), float(s) + long) for s in starts]
    tables = [
        joint_table(
            archive,
            found.session,
            joint,
            start=to_datetime(found.zero_ns + int(low * 1e9)),
            end=to_datetime(found.zero_ns + int(np.ceil(high * 1e6)) * 1000),
        )
        for low, high in spans
    ]
    return pl.concat(tables)


def _posture(
    archive: Archive,
    found: Outline,
    grid: pl.DataFrame,
    start_s: float,
    end_s: float,
    wanted: bool,
) -> dict[str, pl.DataFrame] | None:
    """Return every joint's angle in the window's middle, for each row of the grid."""
    if not wanted:
        return None
    middle, half = (start_s + end_s) / 2, min(MIDDLE_S, end_s - start_s) / 2
    try:
        tables = joint_tables(
            archive,
            found.session,
            start=to_datetime(found.zero_ns + int((middle - half) * 1e9)),
            end=to_datetime(found.zero_ns + int(np.ceil((middle + half) * 1e6)) * 1000),
        )
    except DamageError:
        raise
    except ArchiveError:
        return None
    return {
        joint: grid.select(
            "t_s", pl.lit(table["angle_deg"].median(), pl.Float64).alias("angle_deg")
        )
        for joint, table in tables.items()
    }


def _steady(table: pl.DataFrame) -> pl.DataFrame:
    """Return joint-table rows of steady motion over the window's speeds."""
    fastest = max(float(table["rate_deg_s"].abs().max() or 0.0), 1e-3)  # type: ignore[arg-type]
    rate = np.linspace(-fastest, fastest, GRID)
    usual: dict[str, Any] = {
        n: table[n].median() for n in ("temperature_c", "load_nm", "payload_kg", "angle_deg")
    }
    for n in ("base_end", "person_on_tip"):
        words = table[n].drop_nulls()
        usual[n] = words.mode()[0] if words.len() else None
    rows = {
        **usual,
        "time": table["time"][0],
        "t_s": np.arange(GRID, dtype=np.float64),
        "rate_deg_s": rate,
        "rate_cmd_deg_s": rate,
        "accel_deg_s2": 0.0,
        "brake_engaged": False,
        "brake_engage_cmd": False,
        "motion": "moving",
        "stage": "steady",
        "direction": np.sign(rate).astype(np.int8),
        "segment": np.arange(GRID, dtype=np.int32),
    }
    return pl.DataFrame(
        {
            n: pl.Series(rows[n], dtype=t)
            if isinstance(rows.get(n), np.ndarray)
            else pl.Series([rows.get(n)], dtype=t).new_from_index(0, GRID)
            for n, t in JOINT_TABLE.items()
        }
    )


def _pair(series: pl.Series) -> tuple[Singles, Singles]:
    values = series.cast(pl.Float32).fill_null(float("nan")).to_numpy()
    return values, values
