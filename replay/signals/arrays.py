"""A joint table as arrays, with the noise that thresholds need."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from replay.signals.motion import rates, segments
from replay.signals.motion.rates import Array


@dataclass(frozen=True, slots=True)
class JointArrays:
    """A joint table as arrays, with the noise that thresholds need."""

    time: pl.Series
    t_s: Array
    angle: Array
    rate: Array
    direction: NDArray[np.int8]
    moving: NDArray[np.bool_]
    command_rate: Array
    current: Array
    engaged: NDArray[np.int8]
    command: NDArray[np.int8]
    load: Array
    temperature: Array
    rate_noise: float
    still_deg_s: float
    current_noise: float
    angle_noise: float
    step_s: float
    smear_s: float
    """Half the window of a rate that came from angles: changes of it are known to this."""


def arrays_of(table: pl.DataFrame | JointArrays) -> JointArrays:
    """Return a joint table's columns as arrays (NaN, -1 for unknown) and their noise.

    What is arrays already comes back as it is, so that one look at a table
    serves brakes, slips and duty.
    """
    if isinstance(table, JointArrays):
        return table

    def floats(name: str) -> Array:
        return table[name].fill_null(float("nan")).to_numpy()

    def codes(name: str) -> NDArray[np.int8]:
        return table[name].cast(pl.Int8).fill_null(-1).to_numpy()

    t_s = table["t_s"].to_numpy()
    angle, rate, current = floats("angle_deg"), floats("rate_deg_s"), floats("current_a")
    engaged = codes("brake_engaged")
    starts = rates.gap_starts(t_s) | rates.change_starts(engaged)
    known = np.isfinite(rate)
    error = table["rate_se_deg_s"].median()
    noise = (
        float(error)  # type: ignore[arg-type]
        if error is not None
        else rates.noise_of(rate[known], starts[known], t_s[known])
    )
    at = np.isfinite(angle)
    angle_noise = rates.noise_of(angle[at], starts[at], t_s[at])
    step_s = float(np.median(np.diff(t_s))) if len(t_s) > 1 else 0.0
    return JointArrays(
        time=table["time"],
        direction=codes("direction"),
        moving=(table["motion"] == "moving").fill_null(False).to_numpy(),
        t_s=t_s,
        angle=angle,
        rate=rate,
        command_rate=floats("rate_cmd_deg_s"),
        current=current,
        engaged=engaged,
        command=codes("brake_engage_cmd"),
        load=floats("load_nm"),
        temperature=floats("temperature_c"),
        rate_noise=noise,
        still_deg_s=segments.still_band(rate, noise),
        current_noise=rates.noise_of(current, starts, t_s),
        angle_noise=angle_noise,
        step_s=step_s,
        smear_s=0.0 if error is None else _half_window_s(angle_noise, noise, step_s),
    )


def _half_window_s(angle_noise: float, rate_se: float, step_s: float) -> float:
    """Return half the window that turns an angle's noise into a rate's, at least a step."""
    if rate_se <= 0 or step_s <= 0:
        return step_s
    window = float((12 * (angle_noise / (step_s * rate_se)) ** 2) ** (1 / 3))
    return max(window / 2, 1.0) * step_s
