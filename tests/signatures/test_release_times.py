"""A release time is as long as the log proves: not what nobody saw, nor what nobody asked for."""

from __future__ import annotations

import numpy as np
import pytest

from replay.signatures.release_delay import motions, words
from replay.signatures.track import Track

ROW_S = 0.025


def track(t, angle, rate, word, command):
    """Return the rows of a joint; what is not told is not known."""
    none = np.full(t.size, np.nan)
    codes = (word.astype(np.int8), command.astype(np.int8))
    return Track("J1", "u", t, angle, none, rate, 0 * t, none, *codes)


@pytest.mark.parametrize("lost", ["rows", "words"])
def test_what_came_while_nothing_was_recorded_is_not_late(lost):
    """Rows are missing from 10.12 s to 10.26 s, the brake's word came at 10.15 s."""
    t = np.arange(0, 20, ROW_S)
    dark = (t > 10.12) & (t < 10.26)
    word, command = (t < 10.15).astype(np.int8), (t < 9.99).astype(np.int8)
    seen = np.ones(t.size, dtype=bool)
    if lost == "rows":
        seen = ~dark
    else:
        word[dark] = -1
    one = track(t[seen], 0 * t[seen], 0 * t[seen], word[seen], command[seen])
    (mark,) = words(one).marks
    assert mark.detail["delay_s"] == pytest.approx(0.275, abs=0.03)  # to where it was seen next
    assert mark.raw <= 0.15 + ROW_S + 1e-6


def test_a_word_that_is_late_in_full_view_keeps_its_time():
    t = np.arange(0, 20, ROW_S)
    one = track(t, 0 * t, 0 * t, t < 10.4, t < 9.99)
    (mark,) = words(one).marks
    assert mark.raw == pytest.approx(0.4, abs=ROW_S)


@pytest.mark.parametrize(("way", "held"), [(-1.0, False), (0.0, True)])
def test_a_joint_that_goes_the_other_way_first_is_not_held(way, held):
    """A spring takes it back by half a degree before the drive has hold of it."""
    t = np.arange(0, 20, ROW_S)
    rate = np.where(t > 10.5, 1.0, 0.0)
    back = way * 0.5 * np.clip((t - 10.5) / 0.5, 0, 1)
    angle = np.round((back + np.clip(t - 11.5, 0, None)) / 0.002) * 0.002
    (mark,) = motions(track(t, angle, rate, t < 10.0, t < 9.8)).marks
    if held:
        assert mark.raw == pytest.approx(1.0, abs=0.05)
    else:
        assert mark.raw < 0.2


@pytest.mark.parametrize("asked_s", [0.15, 3.0])
def test_a_joint_that_is_asked_for_a_moment_is_not_held_for_longer(asked_s):
    """It sticks at a command of less than a degree and stands for six seconds."""
    t = np.arange(0, 20, ROW_S)
    rate = np.where((t > 10.5) & (t < 10.5 + asked_s), 5.0, 0.0)
    angle = np.round(np.clip(t - 16.0, 0, 1) / 0.002) * 0.002
    (mark,) = motions(track(t, angle, rate, t < 10.0, t < 9.8)).marks
    assert mark.detail["never"]
    assert mark.raw == pytest.approx(asked_s, abs=0.1)  # from where it can be seen on
