"""Numbers that a recorder writes only when they have changed, held until it writes again.

In a table of one row a scan a blank cell has two meanings: the sample was lost, or the
number is the one that was written last. What comes after the blanks tells them apart. A
recorder of changes hardly ever writes once more the number that it wrote last, but for a
sign of life every so often, of a channel by itself or of all of them in one row; and what
moves on without a break has gone the least of its steps after many blanks, since the first
step was written. A lost sample leaves behind it as much of the way as
the joint went meanwhile, and at rest the same number.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

QUANTITIES = ("angle_deg", "angle_cmd_deg", "motor_angle_deg", "rate_deg_s", "current_a")
"""Quantities that go on without a break, if rows come often enough."""
COMMANDED = ("rate_cmd_deg_s",)
"""What may leap after any silence."""
MAY_BE_HELD = (*QUANTITIES, *COMMANDED)

FEWEST = 20
"""Silences that tell something."""
MOST_REPEATS = 0.05
"""Of the writings after a silence, at most this share says what was said before it."""
MOST_WAY = 2.0
"""Across a long silence a number mostly goes at most so many of its least steps."""
LEAST_STEP = 0.02
"""That share of its steps from row to row is taken for the least."""
LONG_ROWS = 4
FEWEST_COLUMNS, LIVES = 3, 3
LIFE_ROWS = 20
"""A sign of life comes no oftener; what was lost is shorter, or not always as long."""
ALIKE = 0.1
"""Signs of life come this regularly."""
MISSED = 2.5
"""After so many of the usual times between signs of life the number is unknown."""

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


def written_on_change(
    sampled: Mapping[str, tuple[str, Floats]], nominal_ns: int
) -> dict[str, Held]:
    """Return the channels of a log that are written on change.

    Parameters
    ----------
    sampled : mapping
        By channel its quantity, and what the rows of a sample say, NaN where they say nothing.
    nominal_ns : int
        From row to row.
    """
    together = _all_told([values for _, values in sampled.values()])
    quiet = {
        name: quiet_rows(values, quantity, together) for name, (quantity, values) in sampled.items()
    }
    return {n: Held(MISSED * rows * nominal_ns) for n, rows in quiet.items() if rows is not None}


def _all_told(columns: Sequence[Floats]) -> Flags:
    """Return the rows in which all of the columns that have blanks say something."""
    sparse = [np.isfinite(c) for c in columns if not np.isfinite(c).all() and len(c)]
    rows = len(columns[0]) if columns else 0
    if len(sparse) < FEWEST_COLUMNS:
        return np.zeros(rows, dtype=bool)
    return np.asarray(np.all(sparse, axis=0))


def quiet_rows(values: Floats, quantity: str, together: Flags) -> float | None:
    """Return for how many rows a number holds that is written on change; None for another.

    Parameters
    ----------
    values : array of shape (n,)
        What the rows of a sample say, NaN where they say nothing.
    quantity : str
    together : bool array of shape (n,)
        Rows in which all channels that have blanks say something.

    Returns
    -------
    float or None
        Infinite where nothing is written but changes.
    """
    told = np.flatnonzero(np.isfinite(values))
    rows, steps = np.diff(told), np.abs(np.diff(values[told]))
    silent = rows > 1
    if min(np.count_nonzero(silent), np.count_nonzero((rows == 1) & (steps > 0))) < FEWEST:
        return None  # a recorder of changes writes row for row while something changes
    repeats = silent & (steps == 0)
    alive, life = _signs_of_life(rows, repeats, together[told][1:], np.flatnonzero(together))
    others = silent & ~alive
    if np.count_nonzero(repeats & others) > MOST_REPEATS * np.count_nonzero(others):
        return None
    if quantity in QUANTITIES:
        long, moved = steps[others & (rows >= LONG_ROWS)], steps[(rows == 1) & (steps > 0)]
        if len(long) < FEWEST // 4:
            return None
        if np.median(long) > MOST_WAY * np.quantile(moved, LEAST_STEP):
            return None
    return life


def _signs_of_life(
    rows: Ints, repeats: Flags, together: Flags, whole_rows: Ints
) -> tuple[Flags, float]:
    """Return the writings that say no more than that the recorder runs, and their rows apart."""
    if len(whole_rows) >= LIVES:
        return together & repeats, float(np.median(np.diff(whole_rows)))
    life = float(np.median(rows[repeats])) if repeats.any() else np.inf
    alive = repeats & (rows >= LIFE_ROWS) & (np.abs(rows - life) <= ALIKE * life + 1)
    if np.count_nonzero(alive) < LIVES or np.any(rows > (1 + ALIKE) * life + 1):
        return np.zeros_like(alive), np.inf  # they do not come at a time of their own
    return alive, life


@dataclass(slots=True)
class Held:
    """The number that one channel holds, from block to block."""

    longest_ns: float
    last_ns: int | None = None
    last: float = float("nan")
    filled: int = 0

    def fill(self, column: pl.Series, ns: Ints) -> pl.Series:
        """Return the channel with its silences filled, as long as a number holds."""
        if not column.null_count() and len(ns):
            self.last_ns, self.last = int(ns[-1]), float(column[-1])
            return column
        values = column.to_numpy().astype(np.float64, copy=True)
        told = np.isfinite(values)
        at = np.maximum.accumulate(np.where(told, np.arange(len(values)), -1))
        before = self.last_ns is not None
        first = ns if self.last_ns is None else np.full_like(ns, self.last_ns)
        since = np.where(at >= 0, ns[np.maximum(at, 0)], first)
        held = np.where(at >= 0, values[np.maximum(at, 0)], self.last if before else np.nan)
        fits = ~told & (ns - since <= self.longest_ns) & np.isfinite(held)
        values[fits] = held[fits]
        self.filled += int(np.count_nonzero(fits))
        if told.any():
            place = int(np.flatnonzero(told)[-1])
            self.last_ns, self.last = int(ns[place]), float(held[place])
        return pl.Series(column.name, values, nan_to_null=True)
