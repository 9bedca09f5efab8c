"""What a unit did in a session: travel, time, reversals, starts, brake cycles, work."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.statistics.noise import difference_noise
from replay.statistics.runs import runs
from replay.wear.measures.measure import Floats, Measure, column, measure


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
    errors = _errors(dt, rate, current, moving)
    found = [
        measure(name, value, errors.get(name, 0.0), len(t), at) for name, value in values.items()
    ]
    return [m for m in found if m is not None]


def _errors(
    dt: Floats, rate: Floats, current: Floats, moving: npt.NDArray[np.bool_]
) -> dict[str, float]:
    """Return standard errors of what is integrated; a count of what was logged has none.

    A stretch of motion begins and ends somewhere between two samples: each end
    is uncertain by a step over the square root of 12. Noise of rate and current
    is told by differences of neighbours, and adds up as independent errors do.
    """
    step = float(np.median(dt))
    ends = 2 * len(runs(moving))
    edge = step * (ends / 12) ** 0.5
    inside = moving[:-1]
    slow = float(np.quantile(rate[:-1][inside], 0.1)) if inside.any() else 0.0
    rate_noise, current_noise = _noise(rate), _noise(current)
    return {
        "hours moving": edge / 3600,
        "travel": float(np.hypot(slow * edge, rate_noise * np.sqrt(np.sum(dt[inside] ** 2)))),
        "work": float(2 * current_noise * np.sqrt(np.sum((current[:-1] * dt) ** 2))),
    }


def _noise(values: Floats) -> float:
    """Return the spread of single samples, from second differences: slow change is no noise."""
    if len(values) < 3:
        return 0.0
    return difference_noise(values, 2)
