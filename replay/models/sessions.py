"""Sessions as the units of learning: weights, splits, and how they differ from each other."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from replay.models import robust
from replay.models.bins import Floats, Ints

STRETCHES = 20

CORRELATED_BINS = 25.0
"""So many neighbouring bins tell as much as one independent one."""


def session_gain(given: Floats, rest: Floats, noise: float, gain_sd: float) -> float:
    """Return the factor of ``given`` that best takes ``rest`` away, shrunk to 0.

    Parameters
    ----------
    given, rest : array, shape (n,)
        Current that posture explains, and what the fit left over, A.
    noise : float
        Spread of the remainder of a bin, A.
    gain_sd : float
        Spread of the factor between healthy sessions; infinite: no shrinking.
    """
    good = np.isfinite(rest) & np.isfinite(given)
    x, y = given[good], rest[good]
    if x.size < 20:
        return 0.0
    pull = CORRELATED_BINS * noise**2 / gain_sd**2 if np.isfinite(gain_sd) else 0.0
    gain = 0.0
    weight = np.ones(x.size)
    for _ in range(8):
        energy = float(np.sum(weight * x * x))
        gain = float(np.sum(weight * x * y)) / max(energy + pull, 1e-12)
        left = np.abs(y - gain * x)
        limit = 1.5 * 1.4826 * float(np.median(left)) + 1e-12
        weight = np.minimum(1.0, limit / np.maximum(left, 1e-12))
    return float(np.clip(gain, -3 * gain_sd, 3 * gain_sd)) if np.isfinite(gain_sd) else gain


def adapted(given: Floats, rest: Floats, group: Ints) -> tuple[float, Floats]:
    """Learn how the posture's factor varies between sessions, where it plainly does.

    Returns the factor's spread, and what to take off each row for its session, A.
    """
    nothing = np.zeros(rest.size)
    names = np.unique(group)
    if names.size < 4 or not np.any(given):
        return 0.0, nothing
    gains = np.array(
        [session_gain(given[group == g], rest[group == g], 0.0, np.inf) for g in names]
    )
    # payloads come in a few sizes: a robust spread would see only the commonest
    size = float(np.sqrt(np.mean((gains - np.median(gains)) ** 2)))
    wide = float(np.clip(max(robust.spread(gains), size), 0.0, 1.0))
    if wide <= 0:
        return 0.0, nothing
    noise = robust.spread_about_zero(rest)
    made = nothing.copy()
    for g in names:
        mine = group == g
        made[mine] = given[mine] * session_gain(given[mine], rest[mine], noise, wide)
    helped = float(np.mean(np.abs(rest - made))) < 0.93 * float(np.mean(np.abs(rest)))
    return (wide, made) if helped else (0.0, nothing)


def session_weights(group: Ints) -> Floats:
    """Give every session the same total weight, none of its rows more than 5."""
    _, where, count = np.unique(group, return_inverse=True, return_counts=True)
    weight = 1.0 / count[where]
    return np.asarray(np.minimum(weight / weight.mean(), 5.0))


def split_halves(group: Ints) -> npt.NDArray[np.bool_]:
    """Split rows in two by session; by blocks of time where there is only one."""
    names, where = np.unique(group, return_inverse=True)
    if names.size > 1:
        return np.asarray(where % 2 == 0)
    block = np.arange(group.size) * 10 // max(group.size, 1)
    return np.asarray(block % 2 == 0)


def split_stretches(size: int) -> npt.NDArray[np.bool_]:
    """Split rows in two by short stretches, so that every session is in both halves."""
    return np.asarray(np.arange(size) * STRETCHES // max(size, 1) % 2 == 0)


def session_spread(rest: Floats, direction: Ints, group: Ints, bin_sd: float) -> float:
    """Robust spread of sessions' mean residual by direction, A."""
    means = [
        float(np.median(rest[mine]))
        for g in np.unique(group)
        for d in (-1, 0, 1)
        if (mine := (group == g) & (direction == d)).sum() >= 10
    ]
    if len(means) < 4:
        return 0.5 * bin_sd
    return float(robust.spread_about_zero(np.array(means)))
