"""The arm file: what it may say, what it may leave out, what is refused and how."""

from __future__ import annotations

import numpy as np
import pytest

from replay.arm import load_arm, poses, switched_off
from replay.arm.drive import (
    available_torque_nm,
    reflected_inertia_kg_m2,
    torque_from_current,
)
from replay.errors import ArmFileError
from tests.arm.makers import symmetric_arm, symmetric_text


def test_names_are_enough_and_the_rest_is_said_to_be_off():
    arm = load_arm("[[joints]]\nname = 'a'\n[[joints]]\nname = 'b'\n")
    assert arm.joint_names == ("a", "b")
    said = " ".join(switched_off(arm))
    for word in ("poses", "rate_limit_deg_s", "current_limit_a", "brake_torque_nm", "serial"):
        assert word in said
    assert "every joint" in said


def test_a_whole_file_leaves_little_off():
    said = switched_off(symmetric_arm())
    assert [s.split()[1] for s in said] == ["angle_range_deg"]


def test_the_text_is_kept_and_a_path_reads_the_same(tmp_path):
    text = symmetric_text()
    path = tmp_path / "heron.toml"
    path.write_text(text)
    assert load_arm(path) == load_arm(text) == load_arm(str(path))
    assert load_arm(path).toml == text


@pytest.mark.parametrize(
    ("change", "joint", "key"),
    [
        (("gear_ratio = 1842.0", "gear_ratio = -3.0", 2), "J3", "gear_ratio"),
        (("gear_ratio = 1842.0", "gear_ratio = true", 2), "J3", "gear_ratio"),
        (("gear_ratio = 1842.0", "gear_ratio = nan", 2), "J3", "gear_ratio"),
        (("gear_ratio = 1842.0", "gearratio = 3.0", 0), "J1", "gearratio"),
        (("efficiency_drive = 0.72", "efficiency_drive = 72", 6), "J7", "efficiency_drive"),
        (("axis = [0,0,1]", "axis = [0,0,0]", 0), "J1", "geometry.axis"),
        (("axis = [1,0,0]", "axis = [1,0]", 1), "J6", "geometry.axis"),
        (("axis = [1,0,0]", "turns_about = [1,0,0]", 0), "J2", "geometry.turns_about"),
        (("mass_kg = 120.0", "mass_kg = -1.0", 3), "J4", "link.mass_kg"),
        (("mass_kg = 120.0\n", "", 4), "J5", "link.mass_kg"),
        (("[10, 10, 1, 0, 0, 0]", "[10, 1, 1, 0, 0, 0]", 1), "J2", "link.inertia_kg_m2"),
        (("[10, 10, 1, 0, 0, 0]", "[1, 1, -1, 0, 0, 0]", 1), "J2", "link.inertia_kg_m2"),
        (('name = "J4"', 'name = "J3"', 0), "J3", "name"),
        (('name = "J4"', "", 0), "number 4", "name"),
        (('serial = "TU-104"', 'serial = "TU-103"', 0), "J4", "serial"),
        (("xyz_m = [0, 0, 0.5]\naxis", "xyz_m = 0.5\naxis", 0), "J1", "geometry.xyz_m"),
    ],
)
def test_an_error_names_the_joint_and_the_key(tmp_path, change, joint, key):
    old, new, which = change
    parts = symmetric_text().split(old)
    assert len(parts) > which + 1
    text = old.join(parts[: which + 1]) + new + old.join(parts[which + 1 :])
    path = tmp_path / "arm.toml"
    path.write_text(text)
    with pytest.raises(ArmFileError) as caught:
        load_arm(path)
    assert caught.value.joint == joint
    assert caught.value.what.startswith(key)
    assert caught.value.file == str(path)
    assert key in str(caught.value)
    assert repr(joint) in str(caught.value)


@pytest.mark.parametrize(
    "text",
    [
        "joints = [",
        "[arm]\nname = 'x'\n",
        "joints = 3\n",
        "[[joints]]\nname = 'a'\n[arm]\nconvention = 'other'\n",
        "[[joints]]\nname = 'a'\n[arm.tip]\nxyz_m = [0, 0, 1]\n",
        "[[joints]]\nname = 'a'\n[joints.geometry]\n[[joints]]\nname = 'b'\n",
        "[[joints]]\nname = 'a'\n[arm.tip_speed_limit_m_s]\nbare = 0\n",
        "[arm]\nx = 1\n[[joints]]\nname = 'a'\n",
    ],
)
def test_what_is_no_arm_is_refused(text):
    with pytest.raises(ArmFileError):
        load_arm(text)


def test_a_file_that_is_not_there_or_not_text(tmp_path):
    with pytest.raises(ArmFileError, match="no such arm file"):
        load_arm(tmp_path / "none.toml")
    (tmp_path / "bad.toml").write_bytes(b"\xff\xfe\x00name = 1\n")
    with pytest.raises(ArmFileError):
        load_arm(tmp_path / "bad.toml")


def test_a_near_miss_is_suggested():
    with pytest.raises(ArmFileError, match="did you mean rate_limit_deg_s"):
        load_arm("[[joints]]\nname = 'a'\nrate_limit_degs = 3.0\n")


def test_poses_need_a_geometry_and_as_many_angles_as_joints():
    with pytest.raises(ArmFileError, match="no geometry"):
        poses(load_arm("[[joints]]\nname = 'a'\n"), [0.0])
    with pytest.raises(Exception, match="7 joints"):
        poses(symmetric_arm(), [0.0, 1.0])


def test_torque_of_a_current_is_less_when_driving_and_more_when_driven_back():
    # Kt N = 0.117 * 1842 = 215.514 Nm/A; 0.64445 A at 0.72: 100 Nm; 0.25520 A at 0.55: 100 Nm
    # (by hand)
    joint = symmetric_arm().joint("J1")
    assert torque_from_current(joint, 0.644449, 1.0) == pytest.approx(100.0, abs=1e-3)
    assert torque_from_current(joint, 0.255204, -1.0) == pytest.approx(100.0, abs=1e-3)
    assert torque_from_current(joint, 1.0, 0.0) == pytest.approx(215.514)
    # rotor 6e-5 kg m2 through 1842 squared: 203.578 kg m2 at the output
    assert reflected_inertia_kg_m2(joint) == pytest.approx(203.578, abs=1e-3)
    assert torque_from_current(joint, 203.578 / 215.514, 1.0, np.degrees(1.0)) == pytest.approx(
        0.0, abs=1e-3
    )
    assert available_torque_nm(joint) == pytest.approx(9.0 * 215.514 * 0.72)


def test_conversion_without_a_gear_ratio_names_joint_and_key():
    joint = load_arm("[[joints]]\nname = 'a'\ntorque_constant_nm_a = 0.1\n").joint("a")
    with pytest.raises(ArmFileError, match="gear_ratio") as caught:
        torque_from_current(joint, 1.0, 1.0)
    assert caught.value.joint == "a"
    assert available_torque_nm(joint) is None


@pytest.mark.parametrize("limits", ["[270, -270]", "[90, 90]"])
def test_a_range_of_angles_goes_from_low_to_high(limits):
    rows = f"[[joints]]\nname = 'a'\n[[joints]]\nname = 'b'\nangle_range_deg = {limits}\n"
    with pytest.raises(ArmFileError, match="angle_range_deg") as caught:
        load_arm(rows)
    assert caught.value.joint == "b"
    arm = load_arm(rows.replace(limits, "[-270, 90]"))
    assert arm.joint("b").angle_range_deg == (-270.0, 90.0)
