"""How far a healthy current strays from its expectation, by speed and phase.

A joint that is speeding up, or has just begun or stopped, strays more than
one that runs steadily; treated alike, its transients would hide a fault or
be called one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from replay.models import robust
from replay.models.bins import MOVING, Bins, Floats, Ints

SPEED_CELLS = 8
STEADY, RAMPING, UNSETTLED = 0, 1, 2
UNSETTLED_S = 0.5
RAMP = 0.25
"""Share of the usual large acceleration from which a joint counts as ramping."""

FEWEST = 40


@dataclass(slots=True)
class Spread:
    """Robust standard deviation of a bin's mean, A, by phase and speed cell."""

    edges: Floats
    sd: Floats
    ramp_deg_s2: float
    swing_nm: float
    """A load that changes by more than this in a second is no steady load."""

    @classmethod
    def learn(
        cls, bins: Bins, rest: Floats, floor: float, code: int, ramp: float, load: float
    ) -> Spread:
        """Measure on residuals ``rest`` of these bins, A."""
        speed = np.abs(bins.rate)
        made = cls(np.empty(0), np.zeros((3, 1)), RAMP * ramp, RAMP * load)
        if code == MOVING and rest.size >= 8 * FEWEST:
            levels = np.linspace(0, 1, SPEED_CELLS + 1)[1:-1]
            made.edges = np.unique(np.quantile(speed[np.isfinite(speed)], levels))
        cell, phase = made._cell(bins, code)
        whole = max(robust.spread_about_zero(rest), floor)
        table = np.empty((3, made.edges.size + 1))
        for p in range(3):
            mine = rest[phase == p]
            # transients have heavy tails: what most of them keep, not the middle half
            own = _wide(mine) if p != STEADY else robust.spread_about_zero(mine)
            row = _blend(own, whole, mine.size)
            for k in range(table.shape[1]):
                part = rest[(phase == p) & (cell == k)]
                own = _wide(part) if p != STEADY else robust.spread_about_zero(part)
                table[p, k] = _blend(own, row, part.size)
        made.sd = np.maximum(table, floor)
        return made

    def of(self, bins: Bins, code: int) -> Floats:
        """Return the spread of each bin, A."""
        cell, phase = self._cell(bins, code)
        return np.asarray(self.sd[phase, cell])

    def _cell(self, bins: Bins, code: int) -> tuple[Ints, Ints]:
        cell = np.searchsorted(self.edges, np.nan_to_num(np.abs(bins.rate)))
        phase = np.full(len(bins), STEADY)
        if code == MOVING:
            change = np.abs(np.nan_to_num(bins.load - bins.load_before))
            fast = np.abs(np.nan_to_num(bins.accel - bins.accel_before))
            ramping = np.nan_to_num(np.abs(bins.accel)) > self.ramp_deg_s2
            phase[ramping | (fast > self.ramp_deg_s2) | (change > self.swing_nm)] = RAMPING
        phase[bins.settled < UNSETTLED_S] = UNSETTLED
        return cell.astype(np.int64), phase

    def to_plain(self) -> dict[str, Any]:
        """Return what JSON holds."""
        return {
            "edges": self.edges.tolist(),
            "sd": self.sd.tolist(),
            "ramp_deg_s2": self.ramp_deg_s2,
            "swing_nm": self.swing_nm,
        }

    @classmethod
    def from_plain(cls, data: dict[str, Any]) -> Spread:
        """Rebuild from `to_plain`."""
        return cls(
            np.array(data["edges"]), np.array(data["sd"]), data["ramp_deg_s2"], data["swing_nm"]
        )


def _wide(values: Floats) -> float:
    """Spread by the 90 % quantile of the size, as a normal law would have it."""
    if not values.size:
        return float("nan")
    return max(float(np.quantile(np.abs(values), 0.9)) / 1.645, robust.spread_about_zero(values))


def _blend(own: float, whole: float, count: int) -> float:
    if not count:
        return whole
    share = count / (count + FEWEST)
    return float(np.sqrt(share * own**2 + (1 - share) * whole**2))
