"""Friction curves of published arms, given as data and found again."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from replay.models.friction_tables.friction import fit_friction, static_curve

# Gaz, Cognetti, Oliva, Robuffo Giordano & De Luca, IEEE RA-L 4 (2019), supplementary
# material, eq. 25: p1 (Nm), p2 (s/rad), p3 (rad/s) of a seven-joint arm.
SEVEN_JOINTS = [
    (0.54615, 5.1181, 0.039533),
    (0.87224, 9.0657, 0.025882),
    (0.64068, 10.136, -0.046070),
    (1.2794, 5.5903, 0.036194),
    (0.83904, 8.3469, 0.026226),
    (0.30301, 17.133, -0.021047),
    (0.56489, 10.336, 0.0035526),
]


def sigmoid(w: np.ndarray, p1: float, p2: float, p3: float) -> np.ndarray:
    return p1 / (1 + np.exp(-p2 * (w + p3))) - p1 / (1 + np.exp(-p2 * p3))


# Bittencourt & Gunnarsson, J. Dyn. Sys. Meas. Control 134 (2012) 051013; values from memory.
def with_temperature(w: np.ndarray, celsius: float) -> np.ndarray:
    """Normalised friction at motor rates (rad/s) without load."""
    rise = (-2.5e-2 + 1.6e-3 * celsius) * np.exp(-(np.abs(w / (celsius - 25.0)) ** 1.3))
    return 3.11e-2 + rise + (1.3e-4 + 1.32e-3 * np.exp(-celsius / 20.71)) * w


def steady(rate, effort, *, temperature=None, noise=0.0, seed=0, per=10):
    """Steady rows: each rate is a stretch of a few samples."""
    rng = np.random.default_rng(seed)
    rate, effort = np.repeat(rate, per), np.repeat(effort, per)
    columns = {
        "rate_deg_s": rate,
        "effort": effort + noise * rng.normal(size=len(rate)),
        "segment": np.repeat(np.arange(len(rate) // per), per),
    }
    if temperature is not None:
        columns["temperature_c"] = np.repeat(temperature, per)
    return pl.DataFrame(columns)


def test_published_figures_of_the_seven_joint_set():
    one, four = SEVEN_JOINTS[0], SEVEN_JOINTS[3]
    w = np.array([-1, -0.1, 0.1, 1])
    np.testing.assert_allclose(sigmoid(w, *one), [-0.29663, -0.06945, 0.06603, 0.24288], atol=1e-5)
    np.testing.assert_allclose(sigmoid(w, *four), [-0.69838, -0.17739, 0.16791, 0.57131], atol=1e-5)


@pytest.mark.parametrize("parameters", SEVEN_JOINTS)
def test_both_plateaus_of_a_healthy_arm_are_found_each_on_its_own(parameters):
    p1, p2, p3 = parameters
    rng = np.random.default_rng(1)
    w = rng.uniform(1.2, 2.0, 160) * rng.choice([-1, 1], 160)  # rad/s: on the plateaus
    fit = fit_friction(steady(w, sigmoid(w, *parameters), noise=0.003))
    assert fit is not None
    forward = p1 - p1 / (1 + np.exp(-p2 * p3))
    backward = p1 / (1 + np.exp(-p2 * p3))
    assert fit.predict([1.6])[0] == pytest.approx(forward, rel=0.02)
    assert fit.predict([-1.6])[0] == pytest.approx(-backward, rel=0.02)


def test_a_real_joint_with_negative_viscous_friction_warns_and_does_not_crash():
    # joint 6 of the linear set of the same arm: tau = Fv w + Fc sign(w) + Fo
    viscous, coulomb, offset = -0.0132, 0.1658, 0.0910
    rng = np.random.default_rng(2)
    w = rng.uniform(0.1, 2.0, 200) * rng.choice([-1, 1], 200)
    rows = steady(w, viscous * w + coulomb * np.sign(w) + offset, noise=0.002)
    fit = fit_friction(rows, unit="Nm")
    assert fit is not None
    assert fit.term("coulomb forward").value == pytest.approx(coulomb + offset, abs=0.003)
    assert fit.term("coulomb backward").value == pytest.approx(coulomb - offset, abs=0.003)
    assert fit.term("viscous forward").value == pytest.approx(viscous, abs=0.002)
    assert any("negative" in w for w in fit.warnings)


def test_static_curve_and_its_minimum_that_is_not_at_rest():
    # Fc 1.5, Fs 2, ws 0.1, Fv 0.25: worked by hand from the formula
    w = np.array([0.01, 0.05, 0.1, 0.2, 0.5, 1, 2])
    curve = static_curve(w, coulomb=1.5, static=2.0, stribeck_rate=0.1, viscous=0.25)
    np.testing.assert_allclose(
        curve, [1.997525, 1.901900, 1.708940, 1.559158, 1.625, 1.75, 2.0], atol=1e-6
    )


def test_steady_lugre_is_the_static_curve():
    # Canudas de Wit et al. 1995, parameters from memory: Fc 1, Fs 1.5, ws 0.001, sigma2 0.4
    w = np.array([0.0005, 0.001, 0.002, 0.01])
    level = 1 + 0.5 * np.exp(-((w / 0.001) ** 2))
    bristle = level / 1e5  # dz/dt = 0
    steady_torque = 1e5 * bristle + 0.4 * w
    ours = static_curve(w, coulomb=1.0, static=1.5, stribeck_rate=0.001, viscous=0.4)
    np.testing.assert_allclose(ours, steady_torque, rtol=1e-12)
    np.testing.assert_allclose(ours, [1.3896, 1.18434, 1.009958, 1.004], atol=1e-6)


def test_curves_of_two_temperatures_cross_and_the_fit_says_so():
    rng = np.random.default_rng(3)
    w = np.exp(rng.uniform(np.log(2), np.log(280), 300)) * rng.choice([-1, 1], 300)
    celsius = rng.uniform(45, 80, 300)
    effort = np.sign(w) * np.array(
        [with_temperature(abs(a), c) for a, c in zip(w, celsius, strict=True)]
    )
    fit = fit_friction(steady(w, effort, temperature=celsius, noise=5e-4), unit="1")
    assert fit is not None
    slow, fast = 10.0, 260.0
    # warming raises friction at low rates and lowers it at high ones
    assert fit.predict([slow], 78.0)[0] > fit.predict([slow], 47.0)[0]
    assert fit.predict([fast], 78.0)[0] < fit.predict([fast], 47.0)[0]
    for rate in (slow, 100.0, fast):
        for c in (50.0, 62.0, 75.0):
            assert fit.predict([rate], c)[0] == pytest.approx(
                float(with_temperature(np.array(rate), c)), abs=0.012
            )
