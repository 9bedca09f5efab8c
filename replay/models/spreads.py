"""How far a healthy current strays from its expectation, by speed and phase.

A joint that is speeding up, whose structure still rings, or that has just begun
or stopped, strays more than one that runs steadily; treated alike, its
transients would hide a fault or be called one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from replay.models import robust
from replay.models.bins import MOVING, Bins, Floats, Ints

SPEED_CELLS = 8
STIR_LEVELS = (0.4, 0.65, 0.8, 0.9, 0.97)
"""Quantiles of how stirred up a moving joint's load was of late."""

UNSETTLED_S = 0.5
FEWEST = 40


@dataclass(slots=True)
class Spread:
    """Robust standard deviation of a bin's mean, A, by phase and speed cell.

    Phase 0 is the calmest, the last but one the most stirred; the last is a
    joint that has just begun, turned or stopped.
    """

    edges: Floats
    sd: Floats
    stirred: Floats
    """Limits between the phases, in the unit of `Bins.stir`."""
    top: float = np.inf
    """The stir that the most stirred phase stands for; above it the spread grows in
    proportion, as the swing of a shaken structure does."""

    @classmethod
    def learn(cls, bins: Bins, rest: Floats, floor: float, code: int) -> Spread:
        """Measure on residuals ``rest`` of these bins, A."""
        speed = np.abs(bins.rate)
        made = cls(np.empty(0), np.zeros((2, 1)), np.empty(0))
        if code == MOVING and rest.size >= 8 * FEWEST:
            levels = np.linspace(0, 1, SPEED_CELLS + 1)[1:-1]
            made.edges = np.unique(np.quantile(speed[np.isfinite(speed)], levels))
            made.stirred = np.unique(np.quantile(bins.stir, STIR_LEVELS))
        phases = made.stirred.size + 2
        cell, phase = made._cell(bins, code, phases - 1)
        whole = max(robust.spread_about_zero(rest), floor)
        table = np.empty((phases, made.edges.size + 1))
        for p in range(phases):
            mine = rest[phase == p]
            # transients have heavy tails: what most of them keep, not the middle half
            own = _wide(mine) if p else robust.spread_about_zero(mine)
            row = _blend(own, whole, mine.size)
            for k in range(table.shape[1]):
                part = rest[(phase == p) & (cell == k)]
                own = _wide(part) if p else robust.spread_about_zero(part)
                table[p, k] = _blend(own, row, part.size)
        made.sd = np.maximum(table, floor)
        strongest = bins.stir[phase == made.stirred.size] if made.stirred.size else np.empty(0)
        if strongest.size >= FEWEST:
            made.top = float(np.median(strongest))
        return made

    def of(self, bins: Bins, code: int) -> Floats:
        """Return the spread of each bin, A."""
        cell, phase = self._cell(bins, code, self.sd.shape[0] - 1)
        return np.asarray(self.sd[phase, cell] * np.maximum(bins.stir / self.top, 1.0))

    def _cell(self, bins: Bins, code: int, unsettled: int) -> tuple[Ints, Ints]:
        cell = np.searchsorted(self.edges, np.nan_to_num(np.abs(bins.rate)))
        phase = np.zeros(len(bins), dtype=np.int64)
        if code == MOVING:
            phase = np.searchsorted(self.stirred, bins.stir)
        phase[bins.settled < UNSETTLED_S] = unsettled
        return cell.astype(np.int64), phase

    def to_plain(self) -> dict[str, Any]:
        """Return what JSON holds."""
        return {
            "edges": self.edges.tolist(),
            "sd": self.sd.tolist(),
            "stirred": self.stirred.tolist(),
            "top": self.top if np.isfinite(self.top) else None,
        }

    @classmethod
    def from_plain(cls, data: dict[str, Any]) -> Spread:
        """Rebuild from `to_plain`."""
        top = np.inf if data["top"] is None else data["top"]
        return cls(np.array(data["edges"]), np.array(data["sd"]), np.array(data["stirred"]), top)


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
