"""Arms for the tests: a symmetric one, and random ones with their twin in a reference library."""

from __future__ import annotations

import numpy as np
import pinocchio as pin

from replay.arm import Arm, load_arm

SYMMETRIC_AXES = ("[0,0,1]", "[1,0,0]", "[0,1,0]", "[0,1,0]", "[0,1,0]", "[1,0,0]", "[0,0,1]")
SYMMETRIC_STEPS = (0.5, 0.5, 0.5, 7.0, 7.0, 0.5, 0.5)


def symmetric_text(*, masses: bool = True, extra: str = "") -> str:
    """Roll-yaw-pitch, pitch, pitch-yaw-roll, z along the arm at zero, 17 m long."""
    rows = [
        '[arm]\nname = "Heron"',
        extra,
        "[arm.tip_speed_limit_m_s]\nbare = 0.6\npayload = 0.1\nperson = 0.15",
        "[arm.tip]\nxyz_m = [0, 0, 0.5]",
        "[arm.base_link]\nmass_kg = 60.0\ncentre_m = [0, 0, 0.25]\n" if masses else "",
    ]
    for i, (axis, step) in enumerate(zip(SYMMETRIC_AXES, SYMMETRIC_STEPS, strict=True), start=1):
        rows.append(
            f'[[joints]]\nname = "J{i}"\nserial = "TU-10{i}"\nrate_limit_deg_s = 4.0\n'
            f"gear_ratio = 1842.0\ntorque_constant_nm_a = 0.117\nefficiency_drive = 0.72\n"
            f"efficiency_backdrive = 0.55\nmotor_inertia_kg_m2 = 6.0e-5\ncurrent_limit_a = 9.0\n"
            f"brake_torque_nm = 1600.0\n"
            f"[joints.geometry]\nxyz_m = [0, 0, {step}]\naxis = {axis}"
        )
        if masses:
            rows.append(
                "[joints.link]\nmass_kg = 120.0\ncentre_m = [0, 0, 0.25]\n"
                "inertia_kg_m2 = [10, 10, 1, 0, 0, 0]"
            )
    return "\n".join(rows)


def symmetric_arm(**kw: object) -> Arm:
    return load_arm(symmetric_text(**kw))  # type: ignore[arg-type]


def random_arm(rng: np.random.Generator, joints: int = 7) -> Arm:
    """An arm with any axes, steps, masses and inertias."""

    def three(scale: float = 1.0) -> str:
        return str([float(v) for v in scale * rng.normal(size=3)])

    def link() -> str:
        root = rng.normal(size=(3, 3))
        spread = root @ root.T  # second moments of mass: a true body by construction
        tensor = np.trace(spread) * np.eye(3) - spread
        six = [float(tensor[i, j]) for i, j in ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))]
        return f"mass_kg = {rng.uniform(1, 50)}\ncentre_m = {three(0.3)}\ninertia_kg_m2 = {six}"

    rows = [
        f"[arm]\nname = 'random'\ngravity_m_s2 = {three(5)}",
        f"[arm.payload]\ncentre_m = {three(0.5)}\n"
        f"gyration_m = {[float(v) for v in rng.uniform(0.1, 1, 3)]}",
        f"[arm.tip]\nxyz_m = {three()}\nrpy_deg = {three(90)}",
        f"[arm.base_link]\n{link()}",
    ]
    rows += [
        f"[[joints]]\nname = 'K{i}'\n[joints.geometry]\nxyz_m = {three()}\n"
        f"rpy_deg = {three(90)}\naxis = {three()}\n[joints.link]\n{link()}"
        for i in range(1, joints + 1)
    ]
    return load_arm("\n".join(rows))


def _inertia(link: object) -> pin.Inertia:
    xx, yy, zz, xy, xz, yz = link.inertia_kg_m2  # type: ignore[attr-defined]
    tensor = np.array([[xx, xy, xz], [xy, yy, yz], [xz, yz, zz]])
    return pin.Inertia(link.mass_kg, np.array(link.centre_m), tensor)  # type: ignore[attr-defined]


def _se3(rows: object) -> pin.SE3:
    return pin.SE3(np.array(rows))


FLIP = pin.SE3(np.diag([1.0, -1.0, -1.0]), np.zeros(3))


def _payload(arm: Arm, payload_kg: float) -> pin.Inertia:
    squares = np.square(arm.payload_gyration_m or (0.0, 0.0, 0.0))
    return pin.Inertia(payload_kg, np.array(arm.payload_centre_m), payload_kg * np.diag(squares))


def twin(arm: Arm, base: str, payload_kg: float, gravity: np.ndarray) -> tuple[pin.Model, int]:
    """The same arm in the reference library, and its tip's frame number.

    Base B is built from the places of joints and bodies in the world at zero,
    not from a reversed chain of transforms. Joints are numbered from the base.
    """
    model = pin.Model()
    model.gravity.linear = np.asarray(gravity, dtype=float)
    world = []
    now = pin.SE3.Identity()
    for joint in arm.joints:
        now = now * _se3(joint.from_previous)
        world.append(now)
    end_b = now * _se3(arm.tip_from_last)
    if base == "A":
        root, order, sign = pin.SE3.Identity(), list(range(len(arm.joints))), 1.0
        bodies = {i: (world[i], arm.joints[i].link) for i in order}
        tip = end_b
    else:
        root, order, sign = end_b * FLIP, list(range(len(arm.joints)))[::-1], -1.0
        bodies = {
            i: (world[i - 1], arm.joints[i - 1].link) if i else (pin.SE3.Identity(), arm.base_link)
            for i in order
        }
        tip = FLIP
    parent, previous = 0, root
    for i in order:
        placement = previous.inverse() * world[i]
        axis = sign * np.array(arm.joints[i].axis)
        parent = model.addJoint(
            parent, pin.JointModelRevoluteUnaligned(axis), placement, arm.joints[i].name
        )
        frame, link = bodies[i]
        if link is not None:
            model.appendBodyToJoint(parent, _inertia(link), world[i].inverse() * frame)
        previous = world[i]
    tip_in_last = previous.inverse() * tip
    model.appendBodyToJoint(parent, _payload(arm, payload_kg), tip_in_last)
    frame = model.addFrame(pin.Frame("tip", parent, 0, tip_in_last, pin.FrameType.OP_FRAME))
    return model, frame
