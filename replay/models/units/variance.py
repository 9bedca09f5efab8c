"""How far a residual may stand off: noise by condition, and doubt that grows outside training.

Noise: held-out squares, winsorised, as a non-negative sum of squares of what may be
wrong by a share (friction, inertial torque, static friction) and of the noise that
passes the filter (Lawson & Hanson 1974 for the solver, `scipy.optimize.nnls`).
Doubt: a Gaussian process' posterior variance over the cells that training occupied,
1 where training was far (Kennedy & O'Hagan, JRSS B 63, 2001, for the idea of a
model's own misfit): outside training the model is trusted less, not silenced.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import nnls

from replay.models.residuals import Floats
from replay.settings import setting

LEAST_A2 = 1e-12
"""A variance below that of a microampere is none that a recorder tells."""

MOST_CELLS = 200
NUGGET = 0.05


@dataclass(frozen=True, slots=True)
class Noise:
    """Variance as a non-negative sum: ``terms @ weights``, never below ``floor``."""

    weights: Floats
    floor: float

    def variance(self, terms: Floats) -> Floats:
        """Return (n,) variances of (n, k) terms."""
        out: Floats = np.maximum(terms @ self.weights, self.floor)
        return out


def fit_noise(square: Floats, terms: Floats, floor: float) -> Noise:
    """Fit the variance on squared held-out residuals.

    Squares are winsorised at 9 times their robust middle, twice, and weighted by
    the variance found so far: large squares scatter more.
    """
    floor = max(floor, LEAST_A2)  # a dead sensor's current is all the same
    usual = max(float(np.median(square)) / 0.455, floor)
    variance = np.full(len(square), usual)
    weights = np.zeros(terms.shape[1])
    for _ in range(3):
        clipped = np.minimum(square, 9 * variance)
        scaled = terms / variance[:, None]
        size = np.maximum(np.sqrt((scaled**2).mean(axis=0)), 1e-300)
        weights = nnls(scaled / size, clipped / variance)[0] / size
        variance = np.maximum(terms @ weights, floor)
    return Noise(weights, floor)


@dataclass(frozen=True, slots=True)
class Trained:
    """Cells of (temperature, log rate, payload) that training occupied, in cell widths."""

    cells: Floats
    inverse: Floats

    def extrapolation(self, at: Floats) -> Floats:
        """Return 0 to 1 for (n, 3) points in cell widths: 1 is nothing known."""
        if not len(self.cells):
            return np.ones(len(at))
        rounded = np.clip(np.round(at * 4), -1000, 1000).astype(np.int64)
        key = (rounded[:, 0] * 4001 + rounded[:, 1]) * 4001 + rounded[:, 2]
        _, first, back = np.unique(key, return_index=True, return_inverse=True)
        unique = rounded[first] / 4
        gap = unique[:, None, :] - self.cells[None, :, :]
        near = np.exp(-0.5 * np.sum(gap * gap, axis=2))
        gone = 1 - np.einsum("ij,jk,ik->i", near, self.inverse, near)
        out: Floats = np.clip(gone, 0, 1)[back.reshape(-1)]
        return out


def fit_trained(points: Floats, session: Floats) -> Trained:
    """Return the cells that at least two sessions (or the only one) were in."""
    if not len(points):
        return Trained(np.zeros((0, 3)), np.zeros((0, 0)))
    rounded = np.round(points * 2) / 2
    cells, back, count = np.unique(rounded, axis=0, return_inverse=True, return_counts=True)
    cells = cells[np.argsort(-count)][:MOST_CELLS]
    gap = cells[:, None, :] - cells[None, :, :]
    kernel = np.exp(-0.5 * np.sum(gap * gap, axis=2))
    kernel[np.diag_indices_from(kernel)] += NUGGET
    del back, session
    return Trained(cells, np.linalg.inv(kernel))


def cells_of(temperature_c: Floats, rate: Floats, payload: Floats) -> Floats:
    """Return points in cell widths; what is not known stands at 0."""
    heat = temperature_c / setting("cell_temperature")
    speed = np.log(np.maximum(np.abs(rate), 1e-3)) / setting("cell_log_rate")
    mass = payload / setting("cell_payload")
    return np.nan_to_num(np.stack([heat, speed, mass], axis=1))
