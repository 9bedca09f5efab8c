"""Speed and current that swing together: found where both do, and in nothing else."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from replay.signatures.motion.limit_cycle import cycles
from replay.signatures.registry import BY_KIND
from replay.signatures.track import Track

RATE = 2.0


def track(*, speed=0.0, current=0.0, hertz=0.5, at=(100.0, 125.0), period=0.05, seed=1):
    """Return four minutes of one steady move, a swing of speed and current within a span."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, 240.0, period)
    inside = (t >= at[0]) & (t <= at[1])
    turn = 2 * np.pi * hertz
    sway = np.where(inside, speed * RATE / turn * np.sin(turn * (t - at[0])), 0.0)
    angle = RATE * t + sway + rng.normal(0, 0.002, t.size)
    drawn = 1.0 + np.where(inside, current * np.cos(turn * (t - at[0])), 0.0)
    none, off = np.full(t.size, np.nan), np.zeros(t.size, dtype=np.int8)
    drawn = drawn + rng.normal(0, 0.02, t.size)
    return Track("J2", "unit", t, angle, none, np.full(t.size, RATE), drawn, none, off, off)


def largest(one):
    return max(cycles(one).marks, key=lambda m: m.raw)


@pytest.mark.parametrize("period", [0.02, 0.05, 0.1])
@pytest.mark.parametrize("hertz", [0.6, 1.0, 2.5])
def test_a_swing_is_found_where_it_is_and_measured(hertz, period):
    found = largest(track(speed=0.1, current=0.3, hertz=hertz, period=period))
    assert found.detail["frequency_hz"] == pytest.approx(hertz, abs=0.15)
    assert found.detail["share"] == pytest.approx(0.1, rel=0.3)
    assert found.detail["swing_a"] == pytest.approx(0.3, rel=0.3)
    assert found.start_s == pytest.approx(100.0, abs=5.0)
    assert found.end_s == pytest.approx(125.0, abs=5.0)


def test_neither_speed_nor_current_alone_is_one():
    both = largest(track(speed=0.1, current=0.3)).raw
    usual = largest(track()).raw
    assert both > usual + 4.0
    for alone in (track(speed=0.1), track(current=0.3)):
        assert largest(alone).raw < both - 2.0


def test_what_a_start_leaves_dies_away_and_is_none():
    """The same swing for three seconds only is in one piece, not in all three."""
    lasting = largest(track(speed=0.2, current=0.5, hertz=1.0)).raw
    short = largest(track(speed=0.2, current=0.5, hertz=1.0, at=(100.0, 103.0))).raw
    assert short < lasting - 3.0


def test_a_log_that_is_too_coarse_is_not_looked_at():
    assert cycles(track(speed=0.3, current=0.5, period=0.5)).marks == ()


def test_nothing_is_sought_under_the_brake_or_while_the_command_changes():
    one = track(speed=0.1, current=0.3)
    braked = Track(*(one.joint, one.unit, one.t_s, one.angle_deg, one.rate_deg_s),
                   one.rate_cmd_deg_s, one.current_a, one.temperature_c,
                   np.ones(one.t_s.size, dtype=np.int8), one.engage_cmd)  # fmt: skip
    assert cycles(braked).marks == ()
    one.rate_cmd_deg_s[:] = RATE * (1 + 0.5 * np.sin(one.t_s))
    assert cycles(one).marks == ()


@given(st.lists(st.sampled_from(["angle", "current", "both"]), max_size=6), st.integers(0, 99))
def test_holes_make_no_swing_and_no_error(which, seed):
    one = track(seed=seed)
    rng = np.random.default_rng(seed)
    for word in which:
        first = int(rng.integers(0, one.t_s.size - 60))
        if word in {"angle", "both"}:
            one.angle_deg[first : first + 60] = np.nan
        if word in {"current", "both"}:
            one.current_a[first : first + 60] = np.nan
    usual = largest(track(seed=seed)).raw
    assert all(m.raw < usual + 2.5 for m in cycles(one).marks)


def test_it_is_claimed_by_sticking_alone():
    mark = largest(track(speed=0.1, current=0.3))
    claims = {kind: s.claims(mark, [mark]) for kind, s in BY_KIND.items()}
    assert claims.pop("stick-slip") == 1.0
    assert not any(claims.values())
