"""What the physical blocks leave over, learned as tables.

Small two-way tables over pairs of quantities, fitted one after another on
what is left (backfitting), each shrunk towards zero by the number of sessions
behind a cell and kept only if it helps on sessions that did not fill it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from replay.models.bins import Bins, Floats, Ints

PAIRS = (("rate", "temperature"), ("angle_first", "direction"), ("rate", "load"), ("rate", "accel"))
CELLS = (10, 8)
SHRINK = 2.0
"""A cell filled by this many sessions gives half of what it saw."""

GAIN_TO_KEEP = 0.01


@dataclass(slots=True)
class Lookup:
    """One two-way table; cells are uniform between the trained quantiles."""

    names: tuple[str, str]
    low: tuple[float, float]
    high: tuple[float, float]
    shape: tuple[int, int]
    values: Floats

    def cell(self, bins: Bins) -> Ints:
        """Return the flat cell number of each bin."""
        flat = np.zeros(len(bins), dtype=np.int64)
        for name, low, high, count in zip(self.names, self.low, self.high, self.shape, strict=True):
            part = (getattr(bins, name) - low) / max(high - low, 1e-12)
            part = np.nan_to_num(part, nan=0.0, posinf=1.0, neginf=0.0)
            index = np.clip(part * count, 0, count - 1).astype(np.int64)
            flat = flat * count + index
        return flat


@dataclass(slots=True)
class Remainder:
    """A sum of tables."""

    tables: list[Lookup]

    def predict(self, bins: Bins) -> Floats:
        """Return the current that the tables add, A."""
        total = np.zeros(len(bins))
        for table in self.tables:
            total += table.values[table.cell(bins)]
        return total

    @classmethod
    def learn(cls, bins: Bins, rest: Floats, group: Ints) -> Remainder | None:
        """Fit the tables; None when none of them helps on held-out sessions."""
        if np.unique(group).size < 4:
            return None
        left = rest.copy()
        kept: list[Lookup] = []
        _, code = np.unique(group, return_inverse=True)
        for names in PAIRS:
            table = _frame(names, bins)
            if table is None:
                continue
            cell = table.cell(bins)
            size = int(np.prod(table.shape))
            medians, sessions = _by_session(cell, left, code, size)
            before = after = 0.0
            for fold in range(2):
                values = _shrunk(medians[sessions % 2 != fold], size)
                mine = code % 2 == fold
                before += float(np.median(np.abs(left[mine])))
                after += float(np.median(np.abs(left[mine] - values[cell[mine]])))
            if after < before * (1 - GAIN_TO_KEEP):
                table.values = _shrunk(medians, size)
                left = left - table.values[cell]
                kept.append(table)
        return cls(kept) if kept else None

    def to_plain(self) -> list[dict[str, Any]]:
        """Return the tables as what JSON holds."""
        return [
            {
                "names": list(t.names),
                "low": list(t.low),
                "high": list(t.high),
                "shape": list(t.shape),
                "values": t.values.tolist(),
            }
            for t in self.tables
        ]

    @classmethod
    def from_plain(cls, data: list[dict[str, Any]]) -> Remainder:
        """Rebuild from `to_plain`."""
        return cls(
            [
                Lookup(
                    names=(t["names"][0], t["names"][1]),
                    low=(t["low"][0], t["low"][1]),
                    high=(t["high"][0], t["high"][1]),
                    shape=(t["shape"][0], t["shape"][1]),
                    values=np.array(t["values"]),
                )
                for t in data
            ]
        )


def _frame(names: tuple[str, str], bins: Bins) -> Lookup | None:
    low, high, shape = [], [], []
    for name, count in zip(names, CELLS, strict=True):
        value = np.asarray(getattr(bins, name), dtype=np.float64)
        value = value[np.isfinite(value)]
        if value.size < 0.5 * len(bins):
            return None
        bottom, top = (float(q) for q in np.quantile(value, [0.01, 0.99]))
        if name == "angle_first":
            bottom, top, count = float(value.min()), float(value.max()), 24
        if name == "direction":
            bottom, top, count = -1.0, 1.0, 2
        if top - bottom < 1e-9:
            return None
        low.append(bottom)
        high.append(top)
        shape.append(count)
    return Lookup(
        names,
        (low[0], low[1]),
        (high[0], high[1]),
        (shape[0], shape[1]),
        np.zeros(shape[0] * shape[1]),
    )


def _by_session(cell: Ints, left: Floats, code: Ints, size: int) -> tuple[Floats, Ints]:
    """Return each session's mean residual by cell (NaN: none), trimmed."""
    limit = 5 * 1.4826 * np.median(np.abs(left)) + 1e-12
    value = np.clip(left, -limit, limit)
    count = int(code.max()) + 1
    total = np.zeros((count, size))
    hits = np.zeros((count, size))
    np.add.at(total, (code, cell), value)
    np.add.at(hits, (code, cell), 1.0)
    with np.errstate(invalid="ignore"):
        return np.where(hits >= 3, total / hits, np.nan), np.arange(count)


def _shrunk(medians: Floats, size: int) -> Floats:
    filled = np.isfinite(medians)
    n = filled.sum(axis=0)
    values = np.zeros(size)
    some = n > 0
    if some.any():
        values[some] = np.nanmedian(medians[:, some], axis=0)
    return np.asarray(values * n / (n + SHRINK))
