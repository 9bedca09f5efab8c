"""A brake whose word says released while it holds: the drive pushes and nothing moves."""

import numpy as np
import pytest

from replay.signatures.kinds import Facts
from replay.signatures.marks import Mark
from replay.signatures.registry import MEASURES, SIGNATURES
from replay.signatures.release_delay import pushes, pushes_beyond
from replay.signatures.track import Track

LATE = next(s for s in SIGNATURES if s.kind == "late-release")


def released(lets_go_s, *, noise_deg=0.0, seed=0, load_a=0.0):
    """Return a joint told to move from 10 s on, whose brake reports released at 10 s."""
    t = np.arange(0.0, 30.0, 0.04)
    rate = np.clip(t - lets_go_s, 0.0, 1.0)
    angle = np.cumsum(rate) * 0.04
    angle = np.round((angle + np.random.default_rng(seed).normal(0, noise_deg, t.size)) / 0.002)
    amps = np.where(t < 10.0, 0.0, np.where(t < lets_go_s, 0.8 + 4.0 * (t - 10.0), 1.0))
    amps = amps + np.where(t < 10.0, 0.0, load_a)
    engaged = (t < 10.0).astype(np.int8)
    none = np.full(t.size, np.nan)
    command = np.clip(t - 10.0, 0.0, 1.0)
    return Track("J4", "unit", t, angle * 0.002, none, command, amps, none, engaged, engaged)


def test_the_push_lasts_from_the_word_to_the_first_motion():
    (mark,) = pushes(released(11.0)).marks
    assert mark.detail["delay_s"] == pytest.approx(1.15, abs=0.15)  # it creeps off
    assert mark.raw == pytest.approx(0.8 + 4.0, abs=0.2)


def test_a_brake_that_lets_go_in_time_leaves_what_starts_the_joint():
    (mark,) = pushes(released(10.0)).marks
    assert mark.raw == pytest.approx(1.0)
    assert mark.detail["delay_s"] < 0.3


@pytest.mark.parametrize("load_a", [0.0, 6.0, -9.0])
def test_what_hangs_on_a_joint_is_no_push_and_hides_none(load_a):
    """The drive takes the load before the joint moves as after; a brake that holds takes more."""
    in_time, late = (pushes_beyond(released(s, load_a=load_a)).marks[0] for s in (10.0, 11.0))
    assert in_time.raw == pytest.approx(0.0, abs=0.1)
    if load_a < 0:  # pushing upwards against the brake takes the load's current away
        assert late.raw < in_time.raw + 1.0
    else:
        assert late.raw == pytest.approx(3.8, abs=0.4)
        assert late.detail["pushed_a"] == pytest.approx(load_a + 4.8, abs=0.4)


def test_an_angle_that_is_noisy_is_not_taken_for_motion():
    (mark,) = pushes(released(11.0, noise_deg=0.01)).marks
    assert mark.raw == pytest.approx(0.8 + 4.0, abs=0.2)


@pytest.mark.parametrize(("delay_s", "kind"), [(0.5, "late-release"), (7.0, "stall")])
def test_a_brake_lets_go_at_last_and_an_obstacle_stays(delay_s, kind):
    push = Mark("release push", "push", 10.0, 10.0 + delay_s, 4.0, {"delay_s": delay_s}, 9.0)
    behind = Mark("behind", "8s/1", 10.0, 18.0, 5.0, {"due_deg": 5.0, "missing_deg": 5.0}, 9.0)
    weight = {s.kind: s.claims(push, [behind, push]) for s in SIGNATURES}
    assert weight[kind] == 1.0
    assert (weight["late-release"] == 1.0) == (kind == "late-release")


def test_the_sentence_says_how_long_and_how_hard():
    assert MEASURES["release push"].sought
    mark = Mark("release push", "push", 10.0, 10.6, 4.2, {"delay_s": 0.6, "never": False}, 9.0)
    nothing = float("nan")
    facts = Facts(
        "J4", "J4", "from a to b", "", nothing, nothing, "A", {}, [mark], nothing, nothing
    )
    said = LATE.sentence(facts)
    assert "0.60 s" in said
    assert "4.20 A" in said
