"""A joint's columns with the noise that thresholds need, found once for all who judge by it."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import polars as pl
from numpy.typing import NDArray

from replay.signals.columns import JointColumns, columns_of
from replay.signals.motion import breaks, segments
from replay.statistics.noise import noise_of

MOVING = segments.MOTIONS.index("moving")


@dataclass(frozen=True, slots=True)
class JointSignals(JointColumns):
    """Columns of a joint table as arrays, and how noisy they are."""

    rate_noise_deg_s: float
    still_deg_s: float
    """Below this rate nobody can tell motion from noise."""
    current_noise_a: float
    angle_noise_deg: float
    step_s: float
    smear_s: float
    """Half the window of a rate that came from angles: changes of it are known to this."""

    @property
    def moving(self) -> NDArray[np.bool_]:
        """Which rows belong to a moving stretch."""
        return np.asarray(self.motion == MOVING)

    def times(self) -> pl.Series:
        """Return the rows' instants."""
        when = pl.Series("time", self.time).cast(pl.Datetime("ns"))
        return when.dt.replace_time_zone("UTC")


def signals_of(table: pl.DataFrame | JointColumns | JointSignals) -> JointSignals:
    """Return a joint table's columns as arrays, with their noise.

    What has its noise already comes back as it is, so that one look at a table
    serves brakes, slips and duty.
    """
    if isinstance(table, JointSignals):
        return table
    c = columns_of(table)
    starts = breaks.gap_starts(c.t_s) | breaks.change_starts(c.brake_engaged)
    known = np.isfinite(c.rate_deg_s)
    told = c.rate_se_deg_s[np.isfinite(c.rate_se_deg_s)]
    error = float(np.median(told)) if len(told) else None
    noise = noise_of(c.rate_deg_s[known], starts[known], c.t_s[known]) if error is None else error
    at = np.isfinite(c.angle_deg)
    angle_noise = noise_of(c.angle_deg[at], starts[at], c.t_s[at])
    step_s = float(np.median(np.diff(c.t_s))) if len(c.t_s) > 1 else 0.0
    return JointSignals(
        **{f.name: getattr(c, f.name) for f in fields(JointColumns)},
        rate_noise_deg_s=noise,
        still_deg_s=segments.still_band(c.rate_deg_s, noise),
        current_noise_a=noise_of(c.current_a, starts, c.t_s),
        angle_noise_deg=angle_noise,
        step_s=step_s,
        smear_s=0.0 if error is None else _half_window_s(angle_noise, noise, step_s),
    )


def _half_window_s(angle_noise: float, rate_se: float, step_s: float) -> float:
    """Return half the window that turns an angle's noise into a rate's, at least a step."""
    if rate_se <= 0 or step_s <= 0:
        return step_s
    window = float((12 * (angle_noise / (step_s * rate_se)) ** 2) ** (1 / 3))
    return max(window / 2, 1.0) * step_s
