"""A slip's size and span are those of the whole change of place, ramps included."""

import numpy as np
import pytest

from replay.signatures.brake_slip import displacement


def test_both_ramps_belong_to_a_slip():
    t = np.arange(60) * 0.5
    rate = np.interp(t, [20.0, 21.0, 27.0, 28.0], [0.0, 1.0, 1.0, 0.0])
    place = np.cumsum(rate) * 0.5 * 0.11
    noise = np.random.default_rng(1).normal(0.0, 0.001, 60)
    size, first, stop = displacement(place + noise)
    assert size == pytest.approx(place[-1], abs=0.003)
    assert first * 0.5 == pytest.approx(20.0, abs=0.6)
    assert stop * 0.5 == pytest.approx(28.0, abs=0.6)


def test_noise_changes_no_place_by_more_than_itself():
    noise = np.random.default_rng(2).normal(0.0, 0.001, 60)
    size, _, _ = displacement(noise)
    assert size < 0.004
