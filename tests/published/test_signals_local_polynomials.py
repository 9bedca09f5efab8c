"""Local polynomials on even time are the Savitzky-Golay filters of the standard tables.

Tables: A. Savitzky & M. J. E. Golay, Analytical Chemistry 36 (1964) 1627, corrected by
J. Steinier et al. (1972); values from memory, reproduced by scipy.signal.savgol_coeffs.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import savgol_coeffs

from replay.signals.motion.rates import local_fits

SMOOTH = {
    5: np.array([-3, 12, 17, 12, -3]) / 35,
    7: np.array([-2, 3, 6, 7, 6, 3, -2]) / 21,
    9: np.array([-21, 14, 39, 54, 59, 54, 39, 14, -21]) / 231,
    11: np.array([-36, 9, 44, 69, 84, 89, 84, 69, 44, 9, -36]) / 429,
}
SLOPE = {5: np.array([-2, -1, 0, 1, 2]) / 10, 7: np.arange(-3, 4) / 28}
CURVE = {5: np.array([2, -1, -2, -1, 2]) / 7}


def response(window: int, jitter: float, step: float = 0.25) -> tuple[np.ndarray, ...]:
    """The weights with which the middle of a window looks at its samples."""
    rng = np.random.default_rng(0)
    n = window
    t = (np.arange(n) + jitter * rng.uniform(-1, 1, n)) * step
    starts = np.zeros((n, n), dtype=bool)
    starts[:, 0] = True
    fit = local_fits(t, np.eye(n), starts, window)
    half = window // 2
    return fit.value[:, half], fit.rate[:, half] * step, fit.accel[:, half] * step**2


@pytest.mark.parametrize("jitter", [0.0, 1e-9])  # both ways through the code
def test_weights_are_those_of_the_tables(jitter):
    for window, table in SMOOTH.items():
        np.testing.assert_allclose(response(window, jitter)[0], table, atol=1e-7)
    for window, table in SLOPE.items():
        np.testing.assert_allclose(response(window, jitter)[1], table, atol=1e-7)
    for window, table in CURVE.items():
        np.testing.assert_allclose(response(window, jitter)[2], table, atol=1e-7)


@pytest.mark.parametrize("window", [3, 13, 25, 51])
def test_weights_are_those_of_the_reference_library(window):
    value, rate, accel = response(window, 0.0, step=1.0)
    for order, ours in enumerate((value, rate, accel)):
        theirs = savgol_coeffs(window, 2, deriv=order, use="dot")
        np.testing.assert_allclose(ours, theirs, atol=1e-9)


def test_gains_are_the_root_sum_of_squares_of_the_weights():
    t = np.sort(np.random.default_rng(2).uniform(0, 1, 9))
    starts = np.zeros((9, 9), dtype=bool)
    starts[:, 0] = True
    fit = local_fits(t, np.eye(9), starts, 9)
    np.testing.assert_allclose(fit.rate_gain[0], np.sqrt((fit.rate**2).sum(axis=0)), rtol=1e-9)
    np.testing.assert_allclose(fit.accel_gain[0], np.sqrt((fit.accel**2).sum(axis=0)), rtol=1e-9)
