"""Brake indicators of one session: delays, stopping angle, slip, drag.

Events come from `replay.signals.brakes.brake_events` and `replay.signals.brakes.slips`, with their
definitions. A delay that the sampling only brackets counts with the middle of
its bracket and an error no smaller than the bracket allows, however many
events there are: the same clock brackets all of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np
import polars as pl

from replay.signals.brakes.brake_events import brake_events
from replay.signals.brakes.slips import held_stretches
from replay.wear.measures.measure import Measure, column, measure, of_events
from replay.wear.measures.motions import cut_motions
from replay.wear.reference.model import Reference, shared_current

DRAG_S = 3.0
"""Seconds after a release in which a dragging brake shows."""
CLEAR_S = 6.0
"""From this long after a release on, a brake no longer drags."""


def brake_measures(
    table: pl.DataFrame, reference: Reference | None, known: pl.DataFrame | None = None
) -> list[Measure]:
    """Return the brake indicators; none for a log without brake words.

    ``known`` are the joint's brake events where a quicker recorder saw them too.
    """
    words = ("brake_engaged", "brake_engage_cmd")
    if all(table[name].null_count() == table.height for name in words):
        return []
    events = brake_events(table) if known is None else known
    released = events.filter(pl.col("event") == "release")
    engaged = events.filter((pl.col("event") == "engage") & pl.col("on_the_move"))
    found = [
        _delay("brake release delay", released, "delay"),
        _delay("brake engagement delay", engaged, "delay"),
        _stopping(engaged),
        _slip(table),
    ]
    if reference is not None and reference.friction_told:
        found.append(_drag(table, released, reference))
    return [m for m in found if m is not None]


def _delay(indicator: str, events: pl.DataFrame, what: str) -> Measure | None:
    seen = events.filter(pl.col(f"{what}_status").is_in(["measured", "interval"]))
    if not seen.height:
        return None
    low, high = column(seen, f"{what}_low_s"), column(seen, f"{what}_high_s")
    found = of_events(indicator, (low + high) / 2, list(seen["time"]))
    if found is None:
        return None
    # A value anywhere in a bracket: its width over the square root of 12.
    bracket = float(np.median(high - low)) / 12**0.5
    if (seen[f"{what}_status"] == "measured").all() and np.isfinite(found.se):
        bracket /= max(found.n, 1) ** 0.5
    return replace(found, se=float(np.nanmax([found.se, bracket])))


def _stopping(engaged: pl.DataFrame) -> Measure | None:
    seen = engaged.filter(pl.col("stop_angle_deg").is_finite())
    if not seen.height:
        return None
    found = of_events("stopping angle", np.abs(column(seen, "stop_angle_deg")), list(seen["time"]))
    if found is None:
        return None
    own = float(np.nanmedian(column(seen, "stop_angle_se_deg"))) / found.n**0.5
    return replace(found, se=float(np.nanmax([found.se, own])))


def _slip(table: pl.DataFrame) -> Measure | None:
    """Return the largest slip under an engaged brake in the session."""
    seen = held_stretches(table).filter(pl.col("status").is_in(["slip", "returned", "held"]))
    if not seen.height:
        return None
    size = np.abs(column(seen, "slip_deg"))
    k = int(np.nanargmax(size))
    at: datetime | None = seen["slip_at"][k] or seen["start"][k]
    return measure("brake holding slip", size[k], column(seen, "slip_se_deg")[k], seen.height, at)


def _drag(table: pl.DataFrame, released: pl.DataFrame, reference: Reference) -> Measure | None:
    samples = cut_motions(table, chunks=None)
    if samples is None or not released.height:
        return None
    friction = samples.direction * (samples.current - shared_current(samples, reference))
    t = table["t_s"].to_numpy()[samples.first_row]
    first = table["time"][0]
    releases = ((released["time"] - first).dt.total_nanoseconds().to_numpy() / 1e9) + float(
        table["t_s"][0]
    )
    before = np.searchsorted(releases, t, side="right") - 1
    since = np.where(before >= 0, t - releases[np.maximum(before, 0)], np.inf)
    values: list[float] = []
    times: list[datetime | None] = []
    usual = {
        sign: _middle(friction[(samples.direction == sign) & (since > CLEAR_S)])
        for sign in (1.0, -1.0)
    }
    for k in range(len(releases)):
        early = (before == k) & (since <= DRAG_S)
        if early.sum() < 3:
            continue
        over = friction[early] - np.array([usual[d] for d in samples.direction[early]])
        if np.isfinite(over).sum() >= 3:
            values.append(float(np.nanmean(over)))
            times.append(released["time"][k])
    if not values:
        return None
    return of_events("brake drag", np.array(values), times, least_spread=reference.motion_spread_a)


def _middle(values: Sequence[float] | np.ndarray[tuple[int], np.dtype[np.float64]]) -> float:
    return float(np.median(values)) if len(values) >= 5 else float("nan")
