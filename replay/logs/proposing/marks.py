"""Which of two columns is the command and which was measured: by marks of their own.

A command has no noise, stands exactly still, and goes ahead of what follows
it. What was measured scatters in its last digits (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from replay.logs.proposing.guesses import Floats


@dataclass(frozen=True, slots=True)
class Marks:
    """What the samples of a quantity look like."""

    noise: float
    """Median size of the second differences, as a share of the usual size."""
    still: float
    """Share of samples that repeat the one before them exactly."""


def marks_of(columns: Sequence[Floats]) -> Marks:
    """Return the marks of a quantity's columns together."""
    noise: list[float] = []
    still: list[float] = []
    for values in columns:
        good = values[np.isfinite(values)]
        if len(good) < 8:
            continue
        still.append(float(np.mean(np.diff(good) == 0.0)))
        bend = np.abs(np.diff(good, 2))
        spread = float(np.std(good)) or float(np.abs(good).max()) or 1.0
        noise.append(float(np.median(bend)) / spread)
    if not still:
        return Marks(0.0, 0.0)
    return Marks(float(np.median(noise)), float(np.median(still)))


def command_first(one: Sequence[Floats], other: Sequence[Floats]) -> tuple[int, str] | None:
    """Tell which of two quantities is the command: 0, 1, or None where it cannot be told."""
    a, b = marks_of(one), marks_of(other)
    for k, mine, theirs in ((0, a, b), (1, b, a)):
        if mine.noise < 0.5 * theirs.noise and mine.still > theirs.still + 0.02:
            return k, f"it stands exactly still in {mine.still:.0%} of samples and has no noise"
    lead = _lead(one, other)
    if lead is not None:
        return lead, "it goes ahead of the other"
    for k, mine, theirs in ((0, a, b), (1, b, a)):
        if mine.noise < 0.3 * theirs.noise:
            return k, "it has less than a third of the other's noise"
    return None


def _lead(one: Sequence[Floats], other: Sequence[Floats]) -> int | None:
    votes = 0
    for a, b in zip(one, other, strict=False):
        use = np.isfinite(a) & np.isfinite(b)
        if use.sum() < 50:
            continue
        x, y = np.diff(a[use]), np.diff(b[use])
        x, y = x - x.mean(), y - y.mean()
        if not x.std() or not y.std():
            continue
        ahead = max(float(np.dot(x[:-k], y[k:])) for k in (1, 2, 3))
        behind = max(float(np.dot(y[:-k], x[k:])) for k in (1, 2, 3))
        same = float(np.dot(x, y))
        if max(ahead, behind) > 1.02 * same and abs(ahead - behind) > 0.02 * abs(same):
            votes += 1 if ahead > behind else -1
    return None if not votes else (0 if votes > 0 else 1)


def leading_switch(one: Sequence[pl.Series], other: Sequence[pl.Series]) -> int | None:
    """Tell which of two kinds of switches changes first (0 or 1), joint by joint."""
    votes = 0
    for a, b in zip(one, other, strict=False):
        x, y = (_changes(s) for s in (a, b))
        if not len(x) or not len(y):
            continue
        for place in x:
            near = y[np.argmin(np.abs(y - place))]
            votes += int(np.sign(near - place)) if abs(near - place) <= 50 else 0
    return None if not votes else (0 if votes > 0 else 1)


def _changes(column: pl.Series) -> np.ndarray:
    text = column.cast(pl.String).fill_null(strategy="forward")
    return np.flatnonzero((text != text.shift(1)).fill_null(False).to_numpy())
