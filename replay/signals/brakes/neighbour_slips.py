"""Held joints that give way when a neighbour is stopped by its brake on the move.

Sizes and errors are those of `replay.signals.brakes.slips`.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from replay.signals.brakes.brake_events import WAIT_S, brake_events
from replay.signals.brakes.slips import SIGMAS, frame_of, running_median, wandering_deg
from replay.signals.joint_signals import JointSignals, signals_of
from replay.statistics.noise import resolution as finest_step

NEIGHBOUR_SCHEMA: dict[str, pl.DataType] = {
    "time": pl.Datetime("ns", "UTC"),
    "stopped": pl.String(),
    "beside": pl.String(),
    "moved_deg": pl.Float64(),
    "moved_se_deg": pl.Float64(),
    "excursion_deg": pl.Float64(),
    "status": pl.String(),  # slip | held
}
"""Columns of `neighbour_slips`."""


def neighbour_slips(
    tables: Mapping[str, pl.DataFrame | JointSignals],
    known_events: Mapping[str, pl.DataFrame] | None = None,
) -> pl.DataFrame:
    """Look at every held joint whenever another is stopped by its brake on the move.

    Parameters
    ----------
    tables : joint -> joint table
        Of one session.
    known_events : joint -> brake events, optional
        What `replay.signals.brakes.brake_events.brake_events` says of these tables, where
        it is known already.

    Returns
    -------
    DataFrame
        Columns of `NEIGHBOUR_SCHEMA`: the angle from before the stop to
        `WAIT_S` after it.
    """
    arrays = {name: signals_of(table) for name, table in tables.items()}
    rows = []
    resolutions = {
        name: finest_step(a.angle_deg[np.isfinite(a.angle_deg)]) for name, a in arrays.items()
    }
    for name, stopped in arrays.items():
        events = brake_events(stopped) if known_events is None else known_events[name]
        events = events.filter(
            (pl.col("event") == "engage") & pl.col("on_the_move").fill_null(False)
        )
        for when in events["time"]:
            moment = stopped.t_s[int(stopped.times().search_sorted(when))]
            for other, a in arrays.items():
                if other == name:
                    continue
                found = _around(a, float(moment), resolutions[other])
                if found is not None:
                    rows.append({"time": when, "stopped": name, "beside": other, **found})
    return frame_of(rows, NEIGHBOUR_SCHEMA)


def _around(a: JointSignals, moment_s: float, resolution: float) -> dict[str, object] | None:
    """Return how a joint held throughout moved around a moment; None when it was not held."""
    low, at, high = np.searchsorted(a.t_s, [moment_s - 1.0, moment_s, moment_s + WAIT_S])
    engaged = a.brake_engaged[low:high]
    if at - low < 3 or high - at < 3 or not (engaged == 1).all():
        return None
    before, after = a.angle_deg[low:at], a.angle_deg[at:high]
    if not (np.isfinite(before).all() and np.isfinite(after).all()):
        return None
    tail = after[len(after) // 2 :]
    level = float(np.median(before))
    moved = float(np.median(tail)) - level
    noise = max(a.angle_noise_deg, resolution / np.sqrt(12))
    sampling = 1.57 * noise**2 * (1 / len(before) + 1 / len(tail))
    error = float(np.sqrt(sampling + max(wandering_deg(before), wandering_deg(tail)) ** 2))
    return {
        "moved_deg": moved,
        "moved_se_deg": error,
        "excursion_deg": float(np.max(np.abs(running_median(after) - level))),
        "status": "slip" if abs(moved) > max(SIGMAS * error, 1.5 * resolution) else "held",
    }
