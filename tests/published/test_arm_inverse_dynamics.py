"""Poses, tip speed and torques against Pinocchio (RNEA, Featherstone's notation)."""

from __future__ import annotations

import numpy as np
import pinocchio as pin
import pytest

from replay.arm import loads, poses, tip_place, tip_speed
from tests.arm.makers import random_arm, twin


@pytest.mark.parametrize("base", ["A", "B"])
@pytest.mark.parametrize("seed", range(6))
def test_random_arms_postures_and_payloads_agree_with_the_reference_library(base, seed):
    rng = np.random.default_rng(seed)
    arm = random_arm(rng, joints=int(rng.integers(1, 9)))
    count = len(arm.joints)
    n = 25
    angle, rate, accel = (rng.normal(scale=s, size=(n, count)) for s in (120, 60, 90))
    payload = rng.uniform(0, 400, n)
    ours = loads(arm, angle, rate, accel, base=base, payload_kg=payload)
    speed = tip_speed(arm, angle, rate, base=base)
    pose = poses(arm, angle, base=base)
    tip_alone = tip_place(arm, angle, base=base)
    order = list(range(count)) if base == "A" else list(range(count))[::-1]
    for row in range(n):
        model, tip = twin(arm, base, payload[row], arm.gravity_m_s2)
        data = model.createData()
        q, v, a = (np.radians(m[row, order]) for m in (angle, rate, accel))
        torque = pin.rnea(model, data, q, v, a)
        scale = np.abs(torque).max()
        assert np.abs(ours.torque_nm[row, order] - torque).max() < 1e-6 * scale
        pin.forwardKinematics(model, data, q, v)
        pin.updateFramePlacements(model, data)
        np.testing.assert_allclose(pose.tip_m[row], data.oMf[tip].translation, atol=1e-9)
        np.testing.assert_allclose(tip_alone[row], data.oMf[tip].translation, atol=1e-9)
        np.testing.assert_allclose(pose.tip_rotation[row], data.oMf[tip].rotation, atol=1e-9)
        reference = np.linalg.norm(pin.getFrameVelocity(model, data, tip).linear)
        assert speed[row] == pytest.approx(reference, rel=1e-9)
        for place, joint in enumerate(order, start=1):
            np.testing.assert_allclose(
                pose.origin_m[row, joint], data.oMi[place].translation, atol=1e-9
            )


def test_gravity_can_be_set_for_a_ground_run():
    rng = np.random.default_rng(3)
    arm = random_arm(rng)
    angle = rng.normal(scale=90, size=(4, 7))
    zero = np.zeros((4, 7))
    down = np.array([0.0, 0.0, -9.81])
    ours = loads(arm, angle, zero, zero, gravity_m_s2=down).torque_nm
    model, _ = twin(arm, "A", 0.0, down)
    for row in range(4):
        reference = pin.computeGeneralizedGravity(model, model.createData(), np.radians(angle[row]))
        np.testing.assert_allclose(ours[row], reference, rtol=1e-9, atol=1e-9)
    weightless = loads(arm, angle, zero, zero, gravity_m_s2=(0, 0, 0)).torque_nm
    assert np.abs(weightless).max() < 1e-12
