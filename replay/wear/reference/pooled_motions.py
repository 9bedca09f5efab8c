"""Many sessions' motions in one table, each session with levels of its own."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from replay.statistics.regression import huber
from replay.wear.measures.measure import Floats
from replay.wear.measures.motions import Motions

MOST_CHUNKS = 400
"""Chunks of one session that go into the fit."""


def within_sessions(
    design: Floats,
    current: Floats,
    level: npt.NDArray[np.int64],
    direction: Floats,
    *,
    ridge: float,
) -> Floats:
    """Return coefficients with a level of its own for each session and direction.

    Levels are swept out by centring (the fixed-effects estimator), rows far
    off count less (Huber), and a slight ridge keeps near-collinear columns
    finite.
    """
    x, y = direction[:, None] * design, direction * current
    fit = huber(x, y, levels=level, ridge=ridge, rounds=15, settled=1e-6)
    return fit.coefficients


def some_chunks(m: Motions) -> Motions:
    """Return at most `MOST_CHUNKS` chunks of a session, spread evenly over it."""
    n = len(m.current)
    if n <= MOST_CHUNKS:
        return m
    keep = np.linspace(0, n - 1, MOST_CHUNKS).astype(int)
    return Motions(
        m.motion[keep],
        m.direction[keep],
        m.speed[keep],
        m.accel[keep],
        m.load[keep],
        m.angle[keep],
        m.current[keep],
        m.rows[keep],
        m.first_row[keep],
        m.middle,
    )


def joined_motions(parts: Sequence[Motions]) -> Motions:
    """Return several sessions' motions as one."""

    def all_of(name: str) -> Floats:
        return np.concatenate([getattr(m, name) for m in parts])

    return Motions(
        np.concatenate([m.motion for m in parts]),
        all_of("direction"),
        all_of("speed"),
        all_of("accel"),
        all_of("load"),
        all_of("angle"),
        all_of("current"),
        all_of("rows"),
        np.concatenate([m.first_row for m in parts]),
        [],
    )


def group_medians(values: Floats, groups: npt.NDArray[np.int64]) -> Floats:
    """Return, for each value, the median of its group."""
    out = np.empty(len(values))
    for g in np.unique(groups):
        own = groups == g
        out[own] = np.median(values[own])
    return out
