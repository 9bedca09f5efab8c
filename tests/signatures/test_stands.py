"""Readings that stand still: what catches up at once was the sensor, what starts was the joint."""

import numpy as np

from replay.signatures.angle_sensor import frozen
from replay.signatures.track import Track


def track(angle, rate):
    t = np.arange(angle.size) * 0.05
    none = np.full(t.size, np.nan)
    off = np.zeros(t.size, dtype=np.int8)
    return Track("J2", "unit", t, angle, none, rate, none, none, off, off)


def test_a_reading_that_stands_and_catches_up_is_marked_with_what_it_lacked():
    rate = np.full(400, 2.0)
    angle = np.cumsum(rate) * 0.05
    angle[200:208] = angle[199]
    (mark,) = [m for m in frozen(track(angle, rate)).marks if m.raw > 0.3]
    assert mark.detail["samples"] == 9
    assert 0.7 <= mark.raw <= 1.0


def test_a_joint_that_starts_from_rest_has_not_been_standing_still():
    rate = np.where(np.arange(400) < 200, 0.0, 2.0)  # told to move at 10 s, all at once
    angle = np.cumsum(np.where(np.arange(400) < 203, 0.0, 2.0)) * 0.05  # 0.15 s later it does
    assert not [m for m in frozen(track(angle, rate)).marks if m.raw > 0.01]
