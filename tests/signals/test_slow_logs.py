"""Rest and motion in logs of one sample a second, where a motion is a sample or two long."""

from __future__ import annotations

import numpy as np
import pytest

from replay.signals import joint_table
from tests.signals.makers import archive_of


def slow_log(seed: int, rest_share: float, *, noise: float = 0.01, exact_zeros: bool = False):
    """Rates of short motions (0.3 to 40 deg/s, any way) and rests, and which rows are at rest."""
    rng = np.random.default_rng(seed)
    rates, rests = [], []
    while len(rates) < 3000:
        length = int(rng.integers(1, 4))
        rest = rng.random() < rest_share
        top = 0.0 if rest else np.exp(rng.uniform(np.log(0.5), np.log(40))) * rng.choice([-1, 1])
        rates += list(top * rng.uniform(0.6, 1.0, length))
        rests += [rest] * length
    rate, at_rest = np.array(rates), np.array(rests)
    rate = rate + noise * rng.normal(size=len(rate))
    if exact_zeros:
        rate = np.where(at_rest & (rng.random(len(rate)) < 0.5), 0.0, rate)
    return rate, at_rest


@pytest.mark.parametrize("exact_zeros", [False, True])
@pytest.mark.parametrize("rest_share", [0.03, 0.1, 0.25, 0.5, 0.9])
def test_motion_of_a_sample_or_two_is_motion_however_seldom_the_joint_rests(
    tmp_path, rest_share, exact_zeros
):
    rate, at_rest = slow_log(1, rest_share, exact_zeros=exact_zeros)
    t = np.arange(len(rate)) * 1.0
    channels = {"J1.rate_deg_s": rate, "J1.current_a": 0 * t}
    table = joint_table(archive_of(tmp_path, {"main": channels}, {"main": t}), "s", "J1")
    moving = (table["motion"] == "moving").to_numpy()
    assert moving[~at_rest].mean() > 0.99
    assert moving[at_rest].mean() < 0.01
    assert np.abs(rate[~moving]).max() < 0.5  # of a usual top rate of 40


def test_a_joint_that_only_rests_does_not_move(tmp_path):
    rng = np.random.default_rng(3)
    t = np.arange(2000) * 1.0
    channels = {"J1.rate_deg_s": 0.02 * rng.normal(size=len(t)), "J1.current_a": 0 * t}
    table = joint_table(archive_of(tmp_path, {"main": channels}, {"main": t}), "s", "J1")
    assert (table["motion"] == "moving").mean() < 0.001
