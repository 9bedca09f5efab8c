"""Weighted least squares on sums by session: ridge, bounds, left-out errors, covariance.

A session is summed up once, so that any subset of columns and any fold costs a small
solve. Cauchy weights (Holland & Welsch, Commun. Stat. 1977, from memory) let odd rows
count less; the covariance has sessions as clusters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay.models.residuals import Floats


@dataclass(frozen=True, slots=True)
class Sums:
    """Weighted sums of one session: X'WX, X'Wy, y'Wy, and its rows' weight."""

    gram: Floats
    moment: Floats
    square: float
    weight: float


def sums(x: Floats, y: Floats, weight: Floats) -> Sums:
    """Return the sums a fit needs, so that subsets of columns cost nothing."""
    weighted = x * weight[:, None]
    return Sums(weighted.T @ x, weighted.T @ y, float(weight @ (y * y)), float(weight.sum()))


def total(parts: Sequence[Sums]) -> Sums:
    """Add up."""
    return Sums(
        np.sum([p.gram for p in parts], axis=0),
        np.sum([p.moment for p in parts], axis=0),
        float(np.sum([p.square for p in parts])),
        float(np.sum([p.weight for p in parts])),
    )


def solve(all_of: Sums, which: Sequence[int], centre: Floats, stiffness: Floats) -> Floats:
    """Return ridge coefficients of some columns; ``stiffness`` is 1 / prior variance."""
    index = np.asarray(which)
    gram = all_of.gram[np.ix_(index, index)] + np.diag(stiffness[index])
    right = all_of.moment[index] + stiffness[index] * centre[index]
    scale = 1 / np.sqrt(np.maximum(np.diag(gram), 1e-300))
    unit = gram * scale[:, None] * scale[None, :]
    unit[np.diag_indices_from(unit)] += 1e-9
    out: Floats = scale * np.linalg.solve(unit, scale * right)
    return out


def left_out_error(
    parts: Sequence[Sums],
    folds: NDArray[Any],
    which: Sequence[int],
    centre: Floats,
    stiffness: Floats,
) -> Floats:
    """Return the weighted mean square of each session, predicted by fits without its fold."""
    index = np.asarray(which)
    out = np.zeros(len(parts))
    for fold in np.unique(folds):
        inside = folds == fold
        rest = [p for p, gone in zip(parts, inside, strict=True) if not gone]
        if not rest:
            rest = list(parts)
        beta = solve(total(rest), which, centre, stiffness)
        for k in np.flatnonzero(inside):
            p = parts[int(k)]
            gram = p.gram[np.ix_(index, index)]
            out[k] = p.square - 2 * beta @ p.moment[index] + beta @ gram @ beta
    return out


def clustered_covariance(
    parts: Sequence[Sums],
    which: Sequence[int],
    beta: Floats,
    centre: Floats,
    stiffness: Floats,
    limits: Floats,
) -> Floats:
    """Return the covariance by leaving out one session at a time, never below the plain one.

    The jackknife of clusters (Bell & McCaffrey, Survey Methodology 28, 2002): with a dozen
    sessions, one of which was alone in the cold, the sandwich of scores comes out too small.
    """
    index = np.asarray(which)
    gram = total(parts).gram[np.ix_(index, index)] + np.diag(stiffness[index])
    scale = 1 / np.sqrt(np.maximum(np.diag(gram), 1e-300))
    unit = gram * scale[:, None] * scale[None, :]
    unit[np.diag_indices_from(unit)] += 1e-9
    inverse: Floats = np.linalg.inv(unit) * scale[:, None] * scale[None, :]
    count = len(parts)
    if count < 2:
        return inverse
    apart = np.stack(
        [
            solve_bounded(
                total([p for i, p in enumerate(parts) if i != k]), which, centre, stiffness, limits
            )
            - beta
            for k in range(count)
        ]
    )
    return np.asarray(apart.T @ apart * ((count - 1) / count) + inverse)


def cauchy_weights(residual: Floats, scale: Floats | float, cut: float) -> Floats:
    """Return 1 / (1 + (r / (cut s))^2): odd rows count less, none is thrown away."""
    out: Floats = 1 / (1 + (residual / (cut * np.maximum(scale, 1e-12))) ** 2)
    return out


def solve_bounded(
    whole: Sums, which: Sequence[int], centre: Floats, stiffness: Floats, limits: Floats
) -> Floats:
    """Solve, and again with what left its bounds held at them.

    Under a load of one sign bias, gain, asymmetry and load-dependent friction are
    nearly alike, and a soft prior loses against ten thousand rows.
    """
    own = limits[np.asarray(which)]
    beta = solve(whole, which, centre, stiffness)
    if (np.abs(beta) <= own).all():
        return beta
    held = np.clip(beta, -own, own)
    stiff = stiffness.copy()
    middle = centre.copy()
    for place, k in enumerate(which):
        if abs(beta[place]) > own[place]:
            stiff[k], middle[k] = 1e12 * max(whole.gram[k, k], 1.0), held[place]
    return solve(whole, which, middle, stiff)
