"""Published postures: a six-joint arm in Denavit-Hartenberg rows, a seven-joint symmetric one."""

from __future__ import annotations

import numpy as np
import pytest

from replay.arm import load_arm, poses, reversal, tip_speed
from tests.arm.makers import random_arm, symmetric_arm

# Puma 560, standard rows (d, a, alpha): P. Corke, Robotics Toolbox, published model.
PUMA = [
    (0, 0, 90),
    (0, 0.4318, 0),
    (0.15005, 0.0203, -90),
    (0.4318, 0, 90),
    (0, 0, -90),
    (0, 0, 0),
]


def puma() -> str:
    rows = ["[arm]\nname = 'six joints'\nconvention = 'dh'"]
    rows += [
        f"[[joints]]\nname = 'P{i}'\n"
        f"[joints.geometry]\nd_m = {float(d)}\na_m = {float(a)}\nalpha_deg = {float(alpha)}"
        for i, (d, a, alpha) in enumerate(PUMA)
    ]
    return "\n".join(rows)


@pytest.mark.parametrize(
    ("angles", "place"),
    [
        ([0, 0, 0, 0, 0, 0], (0.4521, -0.15005, 0.4318)),
        ([0, 90, -90, 0, 0, 0], (0.0203, -0.15005, 0.8636)),
        ([0, 0, -90, 0, 0, 0], (0.8636, -0.15005, -0.0203)),
        ([0, 45, 180, 0, 45, 0], (0.5963, -0.15005, -0.01435)),
    ],
)
def test_puma_560_postures(angles, place):
    # source: Corke, Robotics Toolbox documentation (zero posture); others recomputed
    found = poses(load_arm(puma()), angles)
    np.testing.assert_allclose(found.tip_m[0], place, atol=6e-5)


def test_puma_560_wrist_of_the_fourth_posture():
    found = poses(load_arm(puma()), [0, 45, 180, 0, 45, 0])
    np.testing.assert_allclose(
        found.tip_rotation[0], [[0, 0, 1], [0, 1, 0], [-1, 0, 0]], atol=1e-12
    )


def test_modified_rows_give_the_same_arm_as_standard_ones():
    # Craig, Introduction to Robotics: alpha and a move one row down, d and theta stay
    shifted = [
        (d, PUMA[i - 1][1] if i else 0, PUMA[i - 1][2] if i else 0)
        for i, (d, _, _) in enumerate(PUMA)
    ]
    rows = ["[arm]\nname = 'six joints'\nconvention = 'mdh'"]
    rows += [
        f"[[joints]]\nname = 'P{i}'\n[joints.geometry]\n"
        f"d_m = {float(d)}\na_m = {float(a)}\nalpha_deg = {float(alpha)}"
        for i, (d, a, alpha) in enumerate(shifted)
    ]
    rng = np.random.default_rng(0)
    angles = rng.uniform(-180, 180, (20, 6))
    one, other = poses(load_arm(puma()), angles), poses(load_arm("\n".join(rows)), angles)
    np.testing.assert_allclose(one.tip_m, other.tip_m, atol=1e-12)


def test_symmetric_seven_joint_posture():
    # worked by hand from T = Tz(.5)Rz Tz(.5)Rx Tz(.5)Ry Tz(7)Ry Tz(7)Ry Tz(.5)Rx Tz(.5)Rz Tz(.5)
    found = poses(symmetric_arm(), [[0] * 7, [10, 20, 30, 40, 50, 60, 70]])
    np.testing.assert_allclose(found.tip_m[0], [0, 0, 17], atol=1e-12)
    np.testing.assert_allclose(found.tip_m[1], [11.421157, -1.749342, 8.650142], atol=1e-6)


def test_reversal_of_the_symmetric_arm_is_derived_and_is_the_inverse_of_the_chain():
    arm = symmetric_arm()
    found = reversal(arm)
    assert found is not None
    assert found.signs == (1, -1, 1, 1, 1, -1, 1)  # F T(q)^-1 F^-1 = T(q'), F a half turn about x
    rng = np.random.default_rng(1)
    q = rng.uniform(-180, 180, (50, 7))
    np.testing.assert_allclose(
        poses(arm, q, base="B").tip_m, poses(arm, found.apply(q)).tip_m, atol=1e-11
    )
    np.testing.assert_allclose(found.apply(found.apply(q)), q)
    # the reversed chain is the inverse of the chain
    half = np.diag([1.0, -1.0, -1.0])
    a, b = poses(arm, q), poses(arm, q, base="B")
    for row in range(50):
        back = -a.tip_rotation[row].T @ a.tip_m[row]
        np.testing.assert_allclose(half @ back, b.tip_m[row], atol=1e-11)
        np.testing.assert_allclose(
            half @ a.tip_rotation[row].T @ half, b.tip_rotation[row], atol=1e-12
        )


def test_an_arm_without_symmetry_has_no_reversal():
    assert reversal(random_arm(np.random.default_rng(5))) is None


def test_one_joint_inside_its_limit_breaks_a_tip_limit():
    # 4 deg/s at 17 m: 17 * 4 * pi / 180 = 1.187 m/s (definition of angular rate)
    boom = load_arm(
        "[arm]\nname = 'boom'\n[arm.tip]\nxyz_m = [17, 0, 0]\n[[joints]]\nname = 'J1'\n"
        "[joints.geometry]\naxis = [0, 0, 1]"
    )
    assert tip_speed(boom, [[30.0]], [[4.0]])[0] == pytest.approx(1.187, abs=5e-4)
    arm = symmetric_arm()
    rate = np.array([[0, 4.0, 0, 0, 0, 0, 0]])
    assert tip_speed(arm, np.zeros((1, 7)), rate)[0] > arm.tip_speed_limit_m_s["bare"]
