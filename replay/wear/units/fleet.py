"""All units of all arms in one table, what needs attention first.

A unit is judged by its own trends and against its peers. Peers are units of
one type: same gear ratio, torque constant and current limit in their arm
files; without an arm file, units at the same joint. A unit whose change since
its own beginning departs from its peers' is shown even before its own trend
is certain.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

import polars as pl

from replay.archive import Archive
from replay.records import Trend
from replay.signals.channels import arm_of
from replay.wear.assessment.places import in_place
from replay.wear.assessment.trends import trends
from replay.wear.catalogue import describe
from replay.wear.units.attention import fleet_reason, watch_reason, worsens
from replay.wear.units.peers import peer_scores

DEPARTS = 3.5
"""Robust z from which a unit departs from its peers (B. Iglewicz, D. C.
Hoaglin, *How to Detect and Handle Outliers*, 1993)."""

SCHEMA: dict[str, pl.DataType] = {
    "arm": pl.String(),
    "joint": pl.String(),
    "serial": pl.String(),
    "installed": pl.Boolean(),
    "attention": pl.String(),
    "why": pl.String(),
    "indicator": pl.String(),
    "unit": pl.String(),
    "sessions": pl.Int64(),
    "last_value": pl.Float64(),
    "result": pl.String(),
    "slope_per_year": pl.Float64(),
    "slope_low": pl.Float64(),
    "slope_high": pl.Float64(),
    "change_share": pl.Float64(),
    "since": pl.Datetime("us", "UTC"),
    "limit": pl.Float64(),
    "limit_date": pl.Datetime("us", "UTC"),
    "limit_date_low": pl.Datetime("us", "UTC"),
    "limit_date_high": pl.Datetime("us", "UTC"),
    "confidence": pl.Float64(),
    "peers": pl.Int64(),
    "peer_z": pl.Float64(),
    "last_session": pl.Datetime("us", "UTC"),
}
"""``attention``: ``past limit``, ``worsening``, ``unlike its peers``, ``watch``,
``changing`` (a trend that is no wear), ``steady``, ``too few sessions`` or
``removed`` (another unit has sat in its place since).
``confidence`` is one less the adjusted p-value of the trend."""

ORDER = (
    "past limit",
    "worsening",
    "unlike its peers",
    "watch",
    "changing",
    "steady",
    "too few sessions",
    "removed",
)


def fleet(archive: Archive, *, every: bool = False, standing: bool = False) -> pl.DataFrame:
    """Return the fleet table; columns of `SCHEMA`.

    Parameters
    ----------
    archive : Archive
    every : bool
        A row per unit and indicator; else a row per unit with its most
        pressing indicator.
    standing : bool
        As for `replay.wear.assessment.trends.trends`.
    """
    found = trends(archive, standing=standing)
    return fleet_of(found, _types(archive, found), every=every)


def fleet_of(found: Sequence[Trend], types: dict[str, str], *, every: bool = False) -> pl.DataFrame:
    """Return the fleet table of trends; ``types`` maps serial to type."""
    latest = in_place(found)
    peers = peer_scores(found, types)
    rows = [_row(t, latest, peers.get((t.serial, t.indicator))) for t in found]
    rows.sort(key=_pressing)
    if not every:
        first: dict[str, dict[str, Any]] = {}
        for row in rows:
            first.setdefault(row["serial"], row)
        rows = list(first.values())
    return pl.DataFrame(rows, schema=SCHEMA)


def _row(
    t: Trend, latest: dict[str, tuple[datetime, bool]], peer: tuple[int, float] | None
) -> dict[str, Any]:
    projection = t.detail.get("projection") or {}
    last = t.detail.get("last")
    adjusted = t.detail.get("adjusted_p_value")
    worse = worsens(t)
    watched = watch_reason(t)
    departs = peer is not None and abs(peer[1]) >= DEPARTS and t.result != "too-few"
    if departs and peer is not None and describe(t.indicator).worse != "either":
        departs = (peer[1] > 0) == (describe(t.indicator).worse == "up")
    installed = latest[t.serial][1]
    if not installed:
        attention = "removed"
    elif projection.get("word") == "passed":
        attention = "past limit"
    elif worse:
        attention = "worsening"
    elif departs:
        attention = "unlike its peers"
    elif watched:
        attention = "watch"
    elif t.result in ("rising", "falling"):
        attention = "changing"
    else:
        attention = "too few sessions" if t.result == "too-few" else "steady"
    return {
        "arm": t.arm,
        "joint": t.joint,
        "serial": t.serial,
        "installed": installed,
        "attention": attention,
        "why": fleet_reason(t, attention, peer, watched),
        "indicator": t.indicator,
        "unit": t.unit,
        "sessions": t.n,
        "last_value": t.last_value,
        "result": t.result,
        "slope_per_year": t.slope_per_year,
        "slope_low": t.slope_low,
        "slope_high": t.slope_high,
        "change_share": t.detail.get("change_share"),
        "since": t.since,
        "limit": projection.get("limit"),
        "limit_date": projection.get("date"),
        "limit_date_low": projection.get("date_low"),
        "limit_date_high": projection.get("date_high"),
        "confidence": None if adjusted is None else 1.0 - float(adjusted),
        "peers": None if peer is None else peer[0],
        "peer_z": None if peer is None else peer[1],
        "last_session": last,
    }


def _pressing(row: dict[str, Any]) -> tuple[Any, ...]:
    far = datetime(9999, 1, 1, tzinfo=UTC)
    indicator = row["indicator"]
    calm = row["attention"] in ("steady", "too few sessions", "removed")
    share = 0.0 if calm else abs(row["change_share"] or 0.0)
    return (
        not row["installed"],
        ORDER.index(row["attention"]),
        # Between equals, the figure on which a replacement is planned comes first.
        calm and indicator != "margin left",
        calm and not describe(indicator).leading,
        row["limit_date"] or far,
        -share,
        row["arm"],
        row["joint"],
        row["serial"],
        indicator,
    )


def _types(archive: Archive, found: Sequence[Trend]) -> dict[str, str]:
    """Return each serial's type, from the newest arm file of its arm."""
    catalogue = archive.sessions()
    types: dict[str, str] = {}
    arms = {t.arm for t in found}
    for arm in sorted(arms):
        own = catalogue.filter(pl.col("arm") == arm)
        if not own.height:
            continue
        # Two sessions are enough: the arm's first and last file.
        for session in dict.fromkeys([own["session"][0], own["session"][-1]]):
            record = archive.session(session)
            described = arm_of(record)
            if described is None:
                continue
            for joint in described.joints:
                key = (joint.gear_ratio, joint.torque_constant_nm_a, joint.current_limit_a)
                if any(v is not None for v in key):
                    serial = record.unit(joint.name)
                    types[serial] = f"ratio {key[0]}, constant {key[1]}, limit {key[2]}"
    return types
