"""Where training has been: ranges of each quantity, and cells of speed and load.

Outside of it nothing is expected, and nothing is judged.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from replay.models.bins import MOVING, Bins, Ints

SPEED_CELLS, SLOW_CELLS, LOAD_CELLS = 8, 4, 6
"""Even cells of speed up to the usual top speed, the first halved again and
again: friction changes fastest near rest (Stribeck)."""

STEADY_S = 2.0
"""Motion this far from its beginning, turn and end runs; nearer, it may be
passing through its speed in a ramp."""

FEWEST_SESSIONS = 2
"""Running in a region must have been seen in so many sessions, where there are
at least twice as many: one session may be the odd one."""

MARGIN = 0.12
"""How far outside the trained range of a quantity still counts as seen, as a
share of the range."""

FEWEST_ROWS = 40

_EDGES = (
    np.concatenate([0.5 ** np.arange(SLOW_CELLS - 1, 0, -1), np.arange(1, SPEED_CELLS + 1)])
    / SPEED_CELLS
)
_SIDE = _EDGES.size + 1


def _grown(cells: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Add the neighbours in speed, in the same direction: near enough."""
    grown = cells.copy()
    for side in (slice(0, _SIDE), slice(_SIDE, 2 * _SIDE)):
        grown[side][1:] |= cells[side][:-1]
        grown[side][:-1] |= cells[side][1:]
    return grown


@dataclass(slots=True)
class Region:
    """What training covered of one joint unit's running.

    Attributes
    ----------
    speed : float
        Usual top speed, deg/s: the cells are shares of it.
    ranges : dict
        Lowest and highest value of a quantity that counts as seen.
    cells : array, shape (2, speeds, loads)
        Passed through in training, and run in.
    """

    speed: float = 1.0
    ranges: dict[str, tuple[float, float]] = field(default_factory=dict)
    cells: npt.NDArray[np.bool_] = field(default_factory=lambda: np.zeros((2, 0, 0), bool))

    @classmethod
    def learn(cls, bins: Bins, moving: npt.NDArray[np.bool_], group: Ints, speed: float) -> Region:
        """Take in where these bins were; ``group`` is each one's session."""
        made = cls(speed)
        made._learn(bins, moving, group)
        return made

    def covers(self, bins: Bins) -> npt.NDArray[np.bool_]:
        """Tell which bins lie where training has been."""
        ok = np.ones(len(bins), dtype=bool)
        for name in ("temperature", "load", "payload"):
            # what a payload does to a joint with a known load, the load tells
            if name in self.ranges and not (name == "payload" and "load" in self.ranges):
                ok &= self._within(bins, name)
        moving = bins.motion == MOVING
        if moving.any() and self.cells.size:
            row, column = self._cell(bins)
            steady = (bins.settled >= STEADY_S).astype(np.int64)
            ok &= ~moving | self.cells[steady, row, column]
            for name in ("accel", "rate"):
                if name in self.ranges:
                    ok &= ~moving | self._within(bins, name)
        return ok

    def _within(self, bins: Bins, name: str) -> npt.NDArray[np.bool_]:
        low, high = self.ranges[name]
        value = getattr(bins, name)
        return np.asarray(~((value < low) | (value > high)))  # unknown is no reason

    def _learn(self, bins: Bins, moving: npt.NDArray[np.bool_], group: Ints) -> None:
        for name in ("temperature", "load", "payload", "accel", "rate"):
            value = getattr(bins, name)[moving if name in {"accel", "rate"} else slice(None)]
            value = value[np.isfinite(value)]
            if value.size < FEWEST_ROWS:
                continue
            low, high = float(value.min()), float(value.max())
            extra = MARGIN * (high - low) + 1e-9
            if name == "temperature":
                extra = max(extra, 2.0)
            if name == "payload":
                extra = max(extra, 0.1 * abs(high))
            if name == "accel":
                low, high = float(np.quantile(value, 0.0005)), float(np.quantile(value, 0.9995))
                extra = 0.5 * (high - low)
            self.ranges[name] = (low - extra, high + extra)
        if not moving.any():
            return
        row, column = self._cell(bins)
        shape = (2 * _SIDE, LOAD_CELLS)
        count = np.zeros(shape, dtype=np.int64)
        np.add.at(count, (row[moving], column[moving]), 1)
        steady = moving & (bins.settled >= STEADY_S)
        names, which = np.unique(group, return_inverse=True)
        ran = np.zeros((names.size, *shape), dtype=bool)
        ran[which[steady], row[steady], column[steady]] = True
        fewest = FEWEST_SESSIONS if names.size >= 2 * FEWEST_SESSIONS else 1
        self.cells = np.stack([_grown(count >= 3), _grown(ran.sum(axis=0) >= fewest)])

    def _cell(self, bins: Bins) -> tuple[Ints, Ints]:
        """Return each bin's cell of signed speed and of load."""
        v = np.nan_to_num(bins.rate) / self.speed
        step = np.searchsorted(_EDGES, np.abs(v), side="right")
        row = np.where(v < 0, _SIDE - 1 - step, _SIDE + step)
        if "load" in self.ranges:
            low, high = self.ranges["load"]
            part = (np.nan_to_num(bins.load) - low) / (high - low)
            column = np.clip(np.floor(part * LOAD_CELLS), 0, LOAD_CELLS - 1)
        else:
            column = np.zeros(len(bins))
        return row.astype(np.int64), column.astype(np.int64)

    def to_plain(self) -> dict[str, Any]:
        """Return what JSON holds."""
        return {
            "speed": self.speed,
            "ranges": {k: list(v) for k, v in self.ranges.items()},
            "cells": self.cells.astype(int).tolist(),
        }

    @classmethod
    def from_plain(cls, data: dict[str, Any]) -> Region:
        """Rebuild from `to_plain`."""
        return cls(
            data["speed"],
            {k: (v[0], v[1]) for k, v in data["ranges"].items()},
            np.array(data["cells"], dtype=bool).reshape(2, -1, LOAD_CELLS),
        )
