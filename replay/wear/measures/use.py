"""What a unit did in a session: travel, time, reversals, starts, brake cycles, work."""

from __future__ import annotations

import numpy as np
import polars as pl

from replay.wear.measures.measure import Measure, column, measure, runs


def use_measures(table: pl.DataFrame) -> list[Measure]:
    """Return the counts and integrals of one joint table.

    A gap adds nothing: a step longer than five usual steps is left out of
    every integral.
    """
    t = table["t_s"].to_numpy()
    if len(t) < 2:
        return []
    dt = np.diff(t)
    usual = float(np.median(dt))
    dt = np.where(dt > 5 * usual, 0.0, dt)
    at = table["time"][0]
    current = np.nan_to_num(column(table, "current_a"))
    rate = np.abs(np.nan_to_num(column(table, "rate_deg_s")))
    moving = (table["motion"] == "moving").fill_null(False).to_numpy()
    direction = table["direction"].fill_null(0).to_numpy()
    turned = direction[direction != 0]
    values = {
        "travel": float(np.sum(rate[:-1] * moving[:-1] * dt)),
        "hours moving": float(np.sum(moving[:-1] * dt)) / 3600,
        "reversals": float(np.count_nonzero(np.diff(turned))),
        "starts": float(len(runs(moving))),
        "work": float(np.sum(current[:-1] ** 2 * dt)),
    }
    engaged = table["brake_engaged"]
    if engaged.null_count() == len(engaged):
        engaged = table["brake_engage_cmd"]
    known = engaged.drop_nulls().to_numpy()
    if len(known):
        values["brake cycles"] = float(np.count_nonzero(known[:-1] & ~known[1:]))
    found = [measure(name, value, 0.0, len(t), at) for name, value in values.items()]
    return [m for m in found if m is not None]
