"""Readings that stand still: what catches up at once was the sensor, what starts was the joint."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np

from replay.signatures.angle_sensor import frozen, sentence
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


def test_a_reading_that_stands_with_all_others_of_its_joint_may_be_the_recorder():
    noise = np.random.default_rng(7).normal(0.0, 0.02, (2, 400))
    rate, current = 2.0 + noise[0], 1.0 + noise[1]
    angle = np.cumsum(rate) * 0.05
    angle[200:208] = angle[199]
    alone = replace(track(angle, rate), rate_deg_s=rate, current_a=current)
    rate, current = rate.copy(), current.copy()
    rate[200:208], current[200:208] = rate[199], current[199]
    both = replace(alone, rate_deg_s=rate, current_a=current)
    for one, too in ((alone, False), (both, True)):
        (mark,) = [m for m in frozen(one).marks if m.raw > 0.3]
        assert mark.detail["repeats_too"] is too
        facts = SimpleNamespace(span="from a to b", proof=lambda *names, m=mark: m)
        assert ("the recorder may have stood" in sentence(facts)) is too


def test_a_joint_that_starts_from_rest_has_not_been_standing_still():
    rate = np.where(np.arange(400) < 200, 0.0, 2.0)  # told to move at 10 s, all at once
    angle = np.cumsum(np.where(np.arange(400) < 203, 0.0, 2.0)) * 0.05  # 0.15 s later it does
    assert not [m for m in frozen(track(angle, rate)).marks if m.raw > 0.01]
