"""Rates and accelerations from angles."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from replay.signals.motion import breaks, rates
from replay.statistics.noise import noise_of, resolution


def one_block(n: int) -> np.ndarray:
    starts = np.zeros(n, dtype=bool)
    starts[0] = True
    return starts


@settings(max_examples=40)
@given(
    st.integers(0, 2**32 - 1),
    st.sampled_from([3, 5, 9, 25]),
    st.floats(0.0, 0.45),
)
def test_a_parabola_is_met_exactly_on_any_times(seed, window, jitter):
    rng = np.random.default_rng(seed)
    n = 120
    t = (np.arange(n) + rng.uniform(-jitter, jitter, n)) * 0.01
    a, b, c = rng.normal(size=3)
    y = a + b * t + c * t**2
    starts = one_block(n)
    starts[rng.integers(1, n, 3)] = True
    fit = rates.local_fits(t, y, starts, window)
    edges = np.append(np.flatnonzero(starts), n)
    long = np.repeat(np.diff(edges), np.diff(edges)) >= 3
    np.testing.assert_allclose(fit.rate[long], (b + 2 * c * t)[long], atol=1e-6)
    np.testing.assert_allclose(fit.accel[long], 2 * c, atol=1e-3)
    assert np.isnan(fit.rate[~long & (np.repeat(np.diff(edges), np.diff(edges)) == 1)]).all()


def test_no_window_reaches_over_a_gap_a_jump_or_a_brake_event():
    t = np.concatenate([np.arange(200), 400 + np.arange(200)]) * 0.01
    rate = np.where(t < 3, 2.0, -1.0)
    y = np.where(t < 3, 2.0 * t, 50.0 - t)
    starts = breaks.gap_starts(t)
    fit = rates.local_fits(t, y, starts, 31)
    np.testing.assert_allclose(fit.rate, rate, atol=1e-9)  # right up to both sides of the gap
    jump = 2.0 * np.arange(400) * 0.01 + np.where(np.arange(400) >= 250, 0.5, 0.0)
    found = breaks.jump_starts(jump, one_block(400), 0.0)
    assert np.flatnonzero(found).tolist() == [250]
    fit = rates.local_fits(np.arange(400) * 0.01, jump, one_block(400) | found, 31)
    np.testing.assert_allclose(fit.rate, 2.0, atol=1e-9)
    states = np.where(np.arange(400) < 123, 1, 0).astype(np.int8)
    assert np.flatnonzero(breaks.change_starts(states)).tolist() == [123]


@pytest.mark.parametrize("jitter", [0.0, 0.3])
def test_the_standard_error_covers_the_true_rate(jitter):
    rng = np.random.default_rng(4)
    n, noise = 20_000, 0.003
    t = (np.arange(n) + rng.uniform(-jitter, jitter, n)) * 0.01
    y = 5 + 1.3 * t + noise * rng.normal(size=n)
    found_noise = noise_of(y, one_block(n), t)
    assert found_noise == pytest.approx(noise, rel=0.05)
    fit = rates.local_fits(t, y, one_block(n), 17)
    z = (fit.rate - 1.3) / (fit.rate_gain * found_noise)
    assert np.std(z) == pytest.approx(1.0, abs=0.07)
    z = fit.accel / (fit.accel_gain * found_noise)
    assert np.std(z) == pytest.approx(1.0, abs=0.07)


def test_noise_of_a_coarse_encoder_is_its_counting_error_at_least():
    t = np.arange(5000) * 0.01
    y = np.round(np.where(t > 25, 3 * (t - 25), 0.0) / 0.05) * 0.05
    assert resolution(y) == pytest.approx(0.05)
    assert noise_of(y, one_block(5000)) >= 0.05 / np.sqrt(12) * 0.999


def test_noise_is_that_of_the_log_and_not_assumed():
    rng = np.random.default_rng(1)
    t = np.arange(6000) * 0.01
    smooth = 40 * np.sin(0.2 * t)
    for noise in (1e-5, 1e-3, 0.1):
        y = smooth + noise * rng.normal(size=6000)
        assert noise_of(y, one_block(6000)) == pytest.approx(noise, rel=0.15)


def test_whole_turns_are_taken_out_and_smaller_steps_kept():
    true = np.linspace(0, 900, 4000)
    wrapped = (true + 180) % 360 - 180
    np.testing.assert_allclose(breaks.unwrapped(wrapped), true, atol=1e-9)
    jumped = np.where(np.arange(100) > 50, 200.0, 0.0)
    np.testing.assert_array_equal(breaks.unwrapped(jumped), jumped)


def test_two_points_give_a_line_and_one_gives_nothing():
    t = np.array([0.0, 1.0, 10.0])
    starts = np.array([True, False, True])
    fit = rates.local_fits(t, np.array([0.0, 2.0, 7.0]), starts, 3)
    np.testing.assert_allclose(fit.rate[:2], 2.0)
    assert np.isnan(fit.rate[2])
    assert fit.value[2] == 7.0


def test_the_window_must_be_odd():
    with pytest.raises(ValueError, match="odd"):
        rates.local_fits(np.arange(9.0), np.arange(9.0), one_block(9), 4)


def test_a_standing_angle_has_a_rate_of_exactly_zero():
    rng = np.random.default_rng(8)
    t = (np.arange(400) + rng.uniform(-0.3, 0.3, 400)) * 0.125
    y = np.where(np.arange(400) < 200, 94.452, 94.452 + 0.3 * (t - t[200]))
    fit = rates.local_fits(t, y, one_block(400), 7)
    assert (fit.rate[3:196] == 0.0).all()
    assert (fit.accel[3:196] == 0.0).all()
    np.testing.assert_allclose(fit.rate[204:-4], 0.3, atol=1e-9)
