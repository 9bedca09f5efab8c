"""Duty and margins of sessions whose sums are known."""

from __future__ import annotations

import numpy as np
import pytest

from replay.arm import load_arm
from replay.arm.drive import reflected_inertia_kg_m2
from replay.signals import SessionMechanics, joint_tables, tip_table
from replay.signals.brakes.brake_events import brake_events
from replay.signals.duty import duty
from replay.signals.margins import session_margins
from tests.arm.makers import symmetric_text
from tests.signals.makers import archive_of, trapezoid

CORNERS = [(0, 0), (3, 0), (5, 2), (15, 2), (17, 0), (20, 0), (22, -2), (32, -2), (34, 0), (41, 0)]


def archive(folder, *, current=None, arm=None, gap=False):
    t = np.arange(0, 40, 0.01)
    if gap:
        t = t[(t < 8) | (t > 12)]
    q, w = trapezoid(t, CORNERS)
    channels = {
        "J1.current_a": np.sign(w) * 1.5 if current is None else current(t, w),
        "J1.angle_deg": q,
        "J1.rate_deg_s": w,
        "J1.brake_engaged": (t < 2) | (t > 36),
    }
    return archive_of(folder, {"main": channels}, {"main": t}, arm_toml=arm)


def test_sums_are_those_of_the_motion(tmp_path):
    row = duty(joint_tables(archive(tmp_path), "s")["J1"]).to_dicts()[0]
    assert row["travel_deg"] == pytest.approx(48.0, abs=0.05)  # 2 * (2 * 10 + 2 * 2)
    assert row["moving_s"] == pytest.approx(28.0, abs=0.2)
    assert (row["starts"], row["reversals"], row["brake_cycles"]) == (2, 1, 1)
    assert row["current_time_a_s"] == pytest.approx(1.5 * 28, abs=0.1)
    assert row["current_square_a2_s"] == pytest.approx(2.25 * 28, abs=0.1)
    assert row["near_rate_limit_s"] is None
    assert row["gap_s"] == 0.0


def test_a_gap_is_not_travelled(tmp_path):
    row = duty(joint_tables(archive(tmp_path, gap=True), "s")["J1"]).to_dicts()[0]
    assert row["gap_s"] == pytest.approx(4.0, abs=0.02)
    assert row["travel_deg"] == pytest.approx(40.0, abs=0.05)


def test_time_near_limits(tmp_path):
    joint = load_arm(
        "[[joints]]\nname = 'J1'\nrate_limit_deg_s = 2.0\nangle_range_deg = [-24.5, 24.5]\n"
        "current_limit_a = 1.6\n"
    ).joint("J1")
    row = duty(joint_tables(archive(tmp_path), "s")["J1"], joint).to_dicts()[0]
    assert row["near_rate_limit_s"] == pytest.approx(
        20.4, abs=0.05
    )  # above 1.9 deg/s: 2 * (10 + 0.2)
    assert row["near_current_limit_s"] == pytest.approx(28.0, abs=0.1)
    # above 23.52 deg: 0.98 s of slowing, 3 s of rest, 0.98 s of speeding the other way
    assert row["near_angle_limit_s"] == pytest.approx(4.96, abs=0.05)


def test_margin_of_a_motor_with_known_friction(tmp_path):
    text = (
        "[[joints]]\nname = 'J1'\ngear_ratio = 1000.0\ntorque_constant_nm_a = 0.1\n"
        "efficiency_drive = 0.8\ncurrent_limit_a = 9.0\nmotor_inertia_kg_m2 = 1.0e-2\n"
    )
    found = session_margins(archive(tmp_path, arm=text), "s")
    row = found.to_dicts()[0]
    joint = load_arm(text).joint("J1")
    assert (row["what"], row["rule"], row["rule_date"]) == (
        "motor",
        "ECSS-E-ST-33-01C",
        "2009-03-06",
    )
    friction = 1.5 * 100.0 * 0.8  # amperes, lossless Nm per ampere, efficiency
    accel = reflected_inertia_kg_m2(joint) * np.radians(1.0)
    assert row["available_nm"] == pytest.approx(720.0)
    assert row["friction_nm"] == pytest.approx(friction, rel=1e-3)
    assert row["acceleration_nm"] == pytest.approx(accel, rel=0.05)
    assert row["required_nm"] == pytest.approx(2 * 1.5 * friction + 1.25 * accel, rel=0.01)
    assert row["margin"] == pytest.approx(720 / row["required_nm"] - 1)
    assert found.height == 1  # no loads: nothing to say of the brake


def test_no_arm_file_no_margin(tmp_path):
    assert session_margins(archive(tmp_path), "s").height == 0


def test_gravity_is_to_be_delivered_and_held(tmp_path):
    # a 10 kg point at the end of a 2 m boom, level: 196.2 Nm about the joint (statics)
    text = (
        "[arm]\nname = 'boom'\ngravity_m_s2 = [0.0, 0.0, -9.81]\n[arm.tip]\nxyz_m = [2, 0, 0]\n"
        "[[joints]]\nname = 'J1'\ngear_ratio = 100.0\ntorque_constant_nm_a = 1.0\n"
        "current_limit_a = 9.0\nbrake_torque_nm = 500.0\n[joints.geometry]\naxis = [0, -1, 0]\n"
        "[joints.link]\nmass_kg = 10.0\ncentre_m = [2, 0, 0]\n"
    )

    def current(t, w):
        return 1.962 + np.sign(w) * 0.5

    table = joint_tables(archive(tmp_path, arm=text, current=current), "s")["J1"]
    assert table["load_nm"][0] == pytest.approx(196.2, abs=0.01)
    rows = {r["what"]: r for r in session_margins(archive(tmp_path, arm=text), "s").to_dicts()}
    assert rows["motor"]["output_nm"] == pytest.approx(196.2, abs=0.1)
    assert rows["brake"]["required_nm"] == pytest.approx(2 * 196.2, rel=0.01)
    assert rows["brake"]["margin"] == pytest.approx(500 / 392.4 - 1, abs=0.02)


def test_the_load_of_the_person_and_the_brake_margin_need_a_rated_torque(tmp_path):
    text = symmetric_text().replace("brake_torque_nm = 1600.0", "")
    t = np.arange(0, 20, 0.02)
    channels = {}
    for k in range(1, 8):
        channels |= {f"J{k}.angle_deg": 5 * np.sin(t / 3), f"J{k}.current_a": 0 * t}
    made = archive_of(tmp_path, {"main": channels}, {"main": t}, arm_toml=text)
    assert set(session_margins(made, "s")["what"]) <= {"motor"}


def test_all_at_once_is_the_same_as_one_by_one(tmp_path):
    t = np.arange(0, 40, 0.02)
    channels = {}
    for k in range(1, 8):
        q, w = trapezoid(t, [(c + 0.1 * k, v) for c, v in CORNERS])
        channels |= {
            f"J{k}.angle_deg": q,
            f"J{k}.current_a": np.sign(w) * 1.5,
            f"J{k}.brake_engaged": (t < 2) | (t > 36),
        }
    made = archive_of(tmp_path, {"main": channels}, {"main": t}, arm_toml=symmetric_text())
    whole = SessionMechanics(made, "s")
    tables = joint_tables(made, "s")
    assert all(whole.tables[name].equals(table) for name, table in tables.items())
    assert whole.tip.equals(tip_table(made, "s"))
    assert whole.margins().equals(session_margins(made, "s"))
    assert whole.duty.filter(joint="J3")["travel_deg"].to_list() == (
        duty(tables["J3"])["travel_deg"].to_list()
    )
    assert whole.duty["serial"].to_list() == [f"TU-J{k}" for k in range(1, 8)]
    events = whole.brake_events.filter(joint="J5").drop("joint")
    assert events.equals(brake_events(tables["J5"]))
