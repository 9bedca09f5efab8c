"""Brake indicators of one session: delays, stopping angle, slip, drag.

All are measured in `replay.signals.brakes`, with their definitions; here they are only
judged. The brake's answer (its word after the command) and the first motion are two delays:
the second also depends on the motion that was commanded. A delay that the sampling only
brackets counts with the middle of its bracket and an error no smaller than the bracket
allows, however many events there are: the same clock brackets all of them. The brackets
themselves are kept, those too that reach nought: a trend is fitted to them, because the
short delays are the ones that cannot be read.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import numpy as np
import polars as pl

from replay.signals.brakes.brake_events import brake_events
from replay.signals.brakes.drag import CLEAR_S, release_drag, since_release_s
from replay.signals.brakes.slips import held_stretches
from replay.signals.joint_signals import JointSignals, signals_of
from replay.wear.measures.measure import Floats, Measure, column, measure, of_events
from replay.wear.measures.motions import Motions
from replay.wear.reference.model import Reference, shared_current

_BRACKETED = ("measured", "interval", "not measurable")
"""Statuses of a time that came, and lies between two bounds."""


def brake_measures(
    table: pl.DataFrame | JointSignals, known: pl.DataFrame | None = None
) -> list[Measure]:
    """Return delays, stopping angle and slip; none for a log without brake words.

    Parameters
    ----------
    table : DataFrame or JointSignals
        A joint table.
    known : DataFrame, optional
        The joint's brake events where a quicker recorder saw them too.
    """
    signals = signals_of(table)
    if not ((signals.brake_engaged >= 0) | (signals.brake_engage_cmd >= 0)).any():
        return []
    events = brake_events(signals) if known is None else known
    released = events.filter(pl.col("event") == "release")
    engaged = events.filter((pl.col("event") == "engage") & pl.col("on_the_move"))
    found = [
        _delay("brake release answer", released, "answer"),
        _delay("brake engagement answer", events.filter(pl.col("event") == "engage"), "answer"),
        _delay("brake release delay", released, "delay"),
        _delay("brake engagement delay", engaged, "delay"),
        _stopping(engaged),
        _slip(signals),
    ]
    return [m for m in found if m is not None]


def _delay(indicator: str, events: pl.DataFrame, what: str) -> Measure | None:
    seen = events.filter(pl.col(f"{what}_status").is_in(_BRACKETED))
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
    se = float(np.nanmax([found.se, bracket]))
    return replace(found, se=se, low=tuple(low.tolist()), high=tuple(high.tolist()))


def _stopping(engaged: pl.DataFrame) -> Measure | None:
    seen = engaged.filter(pl.col("stop_angle_deg").is_finite())
    if not seen.height:
        return None
    found = of_events("stopping angle", np.abs(column(seen, "stop_angle_deg")), list(seen["time"]))
    if found is None:
        return None
    own = float(np.nanmedian(column(seen, "stop_angle_se_deg"))) / found.n**0.5
    return replace(found, se=float(np.nanmax([found.se, own])))


def _slip(signals: JointSignals) -> Measure | None:
    """Return the largest slip under an engaged brake in the session."""
    seen = held_stretches(signals).filter(pl.col("status").is_in(["slip", "returned", "held"]))
    if not seen.height:
        return None
    size = np.abs(column(seen, "slip_deg"))
    k = int(np.nanargmax(size))
    at: datetime | None = seen["slip_at"][k] or seen["start"][k]
    return measure("brake holding slip", size[k], column(seen, "slip_se_deg")[k], seen.height, at)


def drag_measure(signals: JointSignals, samples: Motions, reference: Reference) -> Measure | None:
    """Return the drag after releases, over the session's own friction in each direction.

    Parameters
    ----------
    signals : JointSignals
    samples : Motions
        The same joint's samples in motion, one a chunk.
    reference : Reference
        The unit's reference model: what speed, load and acceleration add to friction.
    """
    shared = shared_current(samples, reference)
    friction = samples.direction * (samples.current - shared)
    # NaN, while the brake is still engaged by its word, is no clear running
    clear = since_release_s(signals)[samples.first_row] > CLEAR_S
    expected = np.full(len(signals), np.nan)
    for sign in (1.0, -1.0):
        own = samples.direction == sign
        level = _middle(friction[own & clear])
        expected[samples.first_row[own]] = shared[own] + sign * level
    found = release_drag(signals, expected, bands=1)
    values, times = column(found, "drag_a"), list(found["time"])
    return of_events("brake drag", values, times, least_spread=reference.motion_spread_a)


def _middle(values: Floats) -> float:
    return float(np.median(values)) if len(values) >= 5 else float("nan")
