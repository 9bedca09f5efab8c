"""What a fluid asks of the joints, beside the reference library's points and Jacobians."""

import numpy as np
import pinocchio as pin
import pytest

from replay.arm.fluid_drag import FACE, fluid_drag
from tests.arm.makers import random_arm, twin


def reference(arm, base, angle_deg, rate_deg_s):
    """Return torques of links and of a payload of 1 kg, by J^T |v| v at every mass centre."""
    way = slice(None) if base == "A" else slice(None, None, -1)
    q, v = (np.radians(x[way]) for x in (angle_deg, rate_deg_s))
    model, tip = twin(arm, base, 0.0, np.zeros(3))
    data = model.createData()
    pin.computeJointJacobians(model, data, q)
    pin.updateFramePlacements(model, data)
    # a link's mass and centre by the library's own bodies, the payload's from the tip
    points = [
        (model.inertias[k].mass ** FACE, k, data.oMi[k].act(model.inertias[k].lever))
        for k in range(1, model.njoints)
    ]
    at_tip = data.oMf[tip].act(np.array(arm.payload_centre_m))
    both = []
    for bodies in (points, [(1.0, model.njoints - 1, at_tip)]):
        torque = np.zeros(len(q))
        for face, joint, point in bodies:
            six = pin.getJointJacobian(model, data, joint, pin.LOCAL_WORLD_ALIGNED)
            arm_m = point - data.oMi[joint].translation
            lever = six[:3] - pin.skew(arm_m) @ six[3:]
            speed = lever @ v
            torque += lever.T @ (face * np.linalg.norm(speed) * speed)
        both.append(torque[way])
    return both


@pytest.mark.parametrize("base", ["A", "B"])
def test_drag_is_the_reference_librarys_from_both_ends(base):
    rng = np.random.default_rng(4)
    arm = random_arm(rng)
    angle, rate = rng.normal(0, 60, (6, 7)), rng.normal(0, 20, (6, 7))
    found = fluid_drag(arm, angle, rate, base=base)
    want = [reference(arm, base, *row) for row in zip(angle, rate, strict=True)]
    assert found.links_nm == pytest.approx(np.array([w[0] for w in want]), rel=1e-9)
    assert found.payload_nm == pytest.approx(np.array([w[1] for w in want]), rel=1e-9)


def test_drag_takes_power_whichever_way_and_goes_with_the_square():
    rng = np.random.default_rng(5)
    arm = random_arm(rng)
    angle, rate = rng.normal(0, 60, (50, 7)), rng.normal(0, 20, (50, 7))
    found, back, twice = (fluid_drag(arm, angle, k * rate) for k in (1, -1, 2))
    assert (np.sum(found.links_nm * rate, axis=1) > 0).all()
    assert (np.sum(found.payload_nm * rate, axis=1) > 0).all()
    assert back.links_nm == pytest.approx(-found.links_nm)
    assert twice.payload_nm == pytest.approx(4 * found.payload_nm)
