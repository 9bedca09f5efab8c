"""A slip's size and span are those of the whole change of place, ramps included."""

import numpy as np
import pytest

from replay.signals.brakes.displacements import largest_change
from replay.signatures.brake_slip import slips
from replay.signatures.track import Track


def test_both_ramps_belong_to_a_slip():
    t = np.arange(60) * 0.5
    rate = np.interp(t, [20.0, 21.0, 27.0, 28.0], [0.0, 1.0, 1.0, 0.0])
    place = np.cumsum(rate) * 0.5 * 0.11
    noise = np.random.default_rng(1).normal(0.0, 0.001, 60)
    size, first, stop = largest_change(place + noise)
    assert size == pytest.approx(place[-1], abs=0.003)
    assert first * 0.5 == pytest.approx(20.0, abs=0.6)
    assert stop * 0.5 == pytest.approx(28.0, abs=0.6)


def test_noise_changes_no_place_by_more_than_itself():
    noise = np.random.default_rng(2).normal(0.0, 0.001, 60)
    size, _, _ = largest_change(noise)
    assert size < 0.004


@pytest.mark.parametrize("after_s", [0.0, 0.4, 1.2, 3.3])
def test_a_slip_begins_when_the_joint_leaves_its_place_and_is_sized_from_there(after_s):
    """A joint that never stood after its brake engaged is sized from where it engaged."""
    t = np.arange(0.0, 60.0, 1 / 15)
    engaged = (t >= 10.0).astype(np.int8)
    leaves = 10.0 + after_s
    rate = np.interp(t, leaves + np.array([0.0, 1.5, 6.0, 7.5]), [0.0, 0.125, 0.125, 0.0])
    angle = 69.5 - np.cumsum(rate) / 15
    angle += np.random.default_rng(int(10 * after_s)).normal(0.0, 0.002, t.size)
    none = np.full(t.size, np.nan)
    track = Track("J4", "unit", t, angle, none, none, none, none, engaged, engaged)
    (mark,) = slips(track).marks
    assert mark.start_s == pytest.approx(leaves, abs=0.5)
    assert mark.end_s == pytest.approx(leaves + 7.5, abs=0.6)
    assert mark.detail["moved_deg"] == pytest.approx(rate.sum() / 15, abs=0.008)
