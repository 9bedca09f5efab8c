"""Where samples do not go on from one to the next, and what stops there."""

import numpy as np
import pytest

from replay.signals.motion import breaks, rates

T = np.arange(400) * 0.05


def starts_of(flags):
    return np.flatnonzero(flags).tolist()


@pytest.mark.parametrize(("missing", "found"), [(2, [0]), (3, [0, 200])])
def test_a_gap_is_more_than_three_and_a_half_steps(missing, found):
    t = np.concatenate([T[:200], T[200:] + missing * 0.05])
    assert starts_of(breaks.gap_starts(t)) == found


def test_jitter_is_no_gap():
    t = T + np.random.default_rng(0).uniform(-0.02, 0.02, T.size)
    assert starts_of(breaks.gap_starts(t)) == [0]


def test_a_change_of_state_begins_where_it_is_first_seen():
    state = np.zeros(400, dtype=np.int8)
    state[120:300] = 1
    assert {120, 300} <= set(starts_of(breaks.change_starts(state)))


def test_an_angle_that_passes_a_full_turn_goes_on():
    true = np.linspace(-30.0, 400.0, 400)
    wrapped = (true + 180.0) % 360.0 - 180.0
    np.testing.assert_allclose(np.diff(breaks.unwrapped(wrapped)), np.diff(true), atol=1e-9)


def test_no_rate_is_fitted_over_a_break():
    """Before the jump 1 deg/s, after it -2: whoever looked across would say something between."""
    angle = np.where(T < 10.0, T, 40.0 - 2.0 * T)
    start = np.zeros(400, dtype=bool)
    start[200] = True
    window = 21
    apart = rates.local_fits(T, angle, start, window)
    np.testing.assert_allclose(apart.rate[:200], 1.0, atol=1e-6)
    np.testing.assert_allclose(apart.rate[200:], -2.0, atol=1e-6)
    across = rates.local_fits(T, angle, np.zeros(400, dtype=bool), window)
    assert np.abs(across.rate[190:210]).max() > 10.0
