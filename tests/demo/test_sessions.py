"""Simulated sessions as tables: the same each time, and plausible."""

from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest

from replay.arm import load_arm
from replay.arm.loads import tip_speed
from replay.demo import SessionPlan, arm_toml, heron, session_record, simulate_session
from replay.demo.hardware import draw_unit
from replay.demo.recorder import Habits
from replay.demo.sessions import season_c
from replay.demo.styles import STYLES
from replay.errors import UsageError
from replay.units import JOINT_QUANTITIES, SESSION_QUANTITIES, TIME_DTYPE, channel

SHORT = {"minutes": 4.0, "rate_hz": 20.0}


def test_same_plan_and_seed_give_the_same_table_to_the_bit():
    plan = SessionPlan(**SHORT)
    one, truth = simulate_session(plan, 7)
    two, again = simulate_session(plan, 7)
    assert one.equals(two, null_equal=True)
    assert truth == again
    other, _ = simulate_session(plan, 8)
    assert not one.equals(other)


@pytest.mark.parametrize("arm_seed", [0, 1])
def test_each_arm_seed_draws_its_own_units(arm_seed):
    """Each brake releases as late as the unit that this arm's seed draws."""
    tidy = Habits(0.0, 0.0, 0.0, 0.0)
    plan = SessionPlan(minutes=4.0, rate_hz=100.0, arm_seed=arm_seed, habits=tidy)
    frame, _ = simulate_session(plan, 7)
    other = [draw_unit(1 - arm_seed, s).release_delay_s for s in heron.FIRST_SERIALS]
    told_apart = 0
    for joint, serial, not_this in zip(heron.NAMES, heron.FIRST_SERIALS, other, strict=True):
        waiting = pl.col(channel(joint, "brake_engaged")) & ~pl.col(
            channel(joint, "brake_engage_cmd")
        )
        releases = (frame[channel(joint, "brake_engage_cmd")].cast(pl.Int8).diff() == -1).sum()
        delay = frame.select(waiting.sum()).item() / 100.0 / releases
        nominal = draw_unit(arm_seed, serial).release_delay_s
        # Releases scatter by 6 %, and the mean is read off samples 10 ms apart.
        assert abs(delay - nominal) <= 0.06 * nominal + 0.01, joint
        told_apart += abs(delay - not_this) > 0.06 * not_this + 0.01
    assert told_apart >= 2


def test_the_stream_has_the_agreed_columns_and_types():
    frame, _ = simulate_session(SessionPlan(**SHORT), 1)
    not_recorded = {"angle_cmd_deg", "current_target_a", "motor_angle_deg", "torque_nm"}
    recorded = [q for q in JOINT_QUANTITIES.values() if q.name not in not_recorded]
    assert len(recorded) == len(JOINT_QUANTITIES) - len(not_recorded)
    expected = {"time": TIME_DTYPE}
    for joint in heron.NAMES:
        expected |= {channel(joint, q.name): q.dtype for q in recorded}
    expected |= {q.name: q.dtype for q in SESSION_QUANTITIES.values()}
    assert dict(frame.schema) == expected
    gaps = frame["time"].diff().drop_nulls().dt.total_nanoseconds()
    assert gaps.min() > 0


@pytest.mark.parametrize("style", list(STYLES))
@pytest.mark.parametrize("base_end", ["A", "B"])
def test_a_healthy_session_keeps_every_limit(style, base_end):
    payload = {"cargo move": 800.0, "technician": 150.0}.get(style, 0.0)
    frame, _ = simulate_session(
        SessionPlan(**SHORT, style=style, base_end=base_end, payload_kg=payload), 5
    )
    arm = load_arm(arm_toml())
    angle = frame.select(channel(j, "angle_deg") for j in heron.NAMES).to_numpy()
    asked = frame.select(channel(j, "rate_cmd_deg_s") for j in heron.NAMES).to_numpy()
    current = frame.select(channel(j, "current_a") for j in heron.NAMES).to_numpy()
    assert np.abs(angle).max() < 270.0
    assert np.abs(asked).max() <= heron.RATE_LIMIT_DEG_S
    assert np.abs(current).max() < heron.CURRENT_LIMIT_A
    case = {"technician": "person", "cargo move": "payload"}.get(style, "bare")
    if style == "walk":
        at_a = (frame["base_end"] == "A").to_numpy()
        assert 0 < at_a.sum() < frame.height
        speed = np.where(
            at_a, tip_speed(arm, angle, asked, base="A"), tip_speed(arm, angle, asked, base="B")
        )
    else:
        speed = tip_speed(arm, angle, asked, base=base_end)
    # Limits hold at a move's first pose; on the way the reach can grow a little.
    assert speed.max() < 1.1 * arm.tip_speed_limit_m_s[case]
    assert speed.max() > 0.2 * arm.tip_speed_limit_m_s[case]


def test_every_joint_moves_long_enough_to_be_learned_from():
    frame, _ = simulate_session(SessionPlan(minutes=8.0), 9)
    for joint in heron.NAMES:
        moving = (frame[channel(joint, "rate_cmd_deg_s")].abs() > 0.01).sum() / 20.0
        assert moving > 40.0, joint


def test_a_closed_brake_stands_still_and_its_motor_is_off():
    frame, _ = simulate_session(SessionPlan(**SHORT), 3)
    for joint in heron.NAMES:
        held = frame.filter(pl.col(channel(joint, "brake_engaged")).rolling_min(20).cast(bool))
        if held.height:
            assert held[channel(joint, "current_a")].abs().median() < 0.05
            assert held[channel(joint, "rate_cmd_deg_s")].abs().max() == 0.0


def test_winter_is_colder_than_summer():
    assert season_c(datetime(2031, 1, 20, tzinfo=UTC)) < 6.0
    assert season_c(datetime(2031, 7, 20, tzinfo=UTC)) > 25.0
    means = []
    for month in (1, 7):
        plan = SessionPlan(**SHORT, start=datetime(2031, month, 20, tzinfo=UTC))
        frame, _ = simulate_session(plan, 1)
        means.append(frame["J4.temperature_c"].mean())
    assert means[1] - means[0] > 12.0


def test_the_record_describes_the_frame():
    plan = SessionPlan(**SHORT, style="technician", payload_kg=150.0, base_end="B")
    frame, truth = simulate_session(plan, 1)
    record = session_record(plan, frame)
    assert record.rows == frame.height
    assert record.units["J3"] == "TU-103"
    assert (record.base_end, record.person_on_tip) == ("B", True)
    assert record.channels["main"] == tuple(frame.columns[1:])
    assert load_arm(record.arm_toml).joint("J3").serial == "TU-103"
    assert truth["joint_hours"] == pytest.approx(7 * 4 / 60, rel=0.01)


def test_an_unknown_style_is_refused():
    with pytest.raises(UsageError, match="inspection"):
        simulate_session(SessionPlan(style="dance"), 1)
