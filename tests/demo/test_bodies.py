"""The demo's point-mass dynamics against a reference library and conservation of energy."""

import numpy as np
import pinocchio as pin
import pytest

from replay.demo import bodies, heron

DT = 0.01
PAYLOAD_KG = 700.0


def swing(seed: int, seconds: float = 12.0):
    """All joints waving, at rest at both ends: angle in degrees, (n, 7)."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, seconds + DT / 2, DT)
    start, size = rng.uniform(-60, 60, 7), rng.uniform(-25, 25, 7)
    # (1 - cos)^2 has no rate and no acceleration at the ends.
    shape = (1.0 - np.cos(2 * np.pi * t / seconds)) ** 2 / 4.0
    return t, start + size * shape[:, None]


def reference_model(base_end: str):
    """Heron in pinocchio: thin rods and a payload of six points, from either end."""
    from_b = base_end == "B"
    places = heron.PLACES if not from_b else heron.PLACES[::-1]
    lengths = [heron.END_M, *(p.length_m for p in heron.PLACES)]
    masses = [heron.BASE_BODY_KG, *(p.mass_kg for p in heron.PLACES)]
    if from_b:
        lengths, masses = lengths[::-1], masses[::-1]
    axes = {"x": "RX", "y": "RY", "z": "RZ"}
    model = pin.Model()
    model.gravity = pin.Motion.Zero()
    parent = 0
    for k, place in enumerate(places):
        joint = getattr(pin, f"JointModel{axes[place.axis]}")()
        at = pin.SE3(np.eye(3), np.array([0.0, 0.0, lengths[k]]))
        parent = model.addJoint(parent, joint, at, f"joint{k}")
        length, kg = lengths[k + 1], masses[k + 1]
        across = kg * length**2 / 12
        rod = pin.Inertia(kg, np.array([0, 0, length / 2]), np.diag([across, across, 0.0]))
        model.appendBodyToJoint(parent, rod, pin.SE3.Identity())
    # Six points of a sixth each, half a metre from the centre along each axis.
    block = np.eye(3) * (PAYLOAD_KG / 6 * 4 * 0.5**2)
    centre = np.array([0, 0, lengths[-1] + heron.PAYLOAD_OFFSET_M])
    model.appendBodyToJoint(parent, pin.Inertia(PAYLOAD_KG, centre, block), pin.SE3.Identity())
    return model


@pytest.mark.parametrize("base_end", ["A", "B"])
def test_torque_equals_the_reference_librarys(base_end):
    """Source: pinocchio's rnea (Carpentier and others, SII 2019), same bodies."""
    t, angle = swing(3)
    n = t.size
    ours = bodies.load_torque(angle, DT, np.full(n, PAYLOAD_KG), np.full(n, base_end == "B"))
    model = reference_model(base_end)
    data = model.createData()
    q = np.radians(angle)
    if base_end == "B":
        # Seen from B the chain runs backwards: the order turns, and so does z.
        # A turn of the previous body against the next about +axis is, with z
        # and y pointing the other way, the same turn about x, and minus it
        # about -y and -z: which is again the same turn.
        q = q[:, ::-1] * np.array([1, -1, 1, 1, 1, -1, 1])
    v = np.gradient(q, DT, axis=0)
    a = np.zeros_like(q)
    a[1:-1] = (q[2:] - 2 * q[1:-1] + q[:-2]) / DT**2
    theirs = np.array([pin.rnea(model, data, *row) for row in zip(q, v, a, strict=True)])
    if base_end == "B":
        theirs = (theirs * np.array([1, -1, 1, 1, 1, -1, 1]))[:, ::-1]
    inside = slice(5, -5)
    worst = np.abs(ours[inside] - theirs[inside]).max()
    assert np.abs(theirs).max() > 100.0
    assert worst < 1e-3 * np.abs(theirs).max()


def test_a_move_from_rest_to_rest_takes_no_work():
    """With no gravity and no friction all energy put in comes out again."""
    t, angle = swing(11)
    n = t.size
    torque = bodies.load_torque(angle, DT, np.full(n, PAYLOAD_KG), np.zeros(n, dtype=bool))
    power = (torque * np.gradient(np.radians(angle), DT, axis=0)).sum(axis=1)
    energy = np.cumsum(power) * DT
    assert energy.max() > 1.0  # joules, in the middle of the move
    assert abs(energy[-1]) < 2e-3 * energy.max()


@pytest.mark.parametrize("base_end", ["A", "B"])
def test_inertia_is_torque_over_acceleration(base_end):
    """One joint pushed from rest: its torque is its inertia times its acceleration."""
    rng = np.random.default_rng(5)
    pose = rng.uniform(-80, 80, 7)
    inertia, reach = bodies.inertia_and_reach(pose, PAYLOAD_KG, base_end)
    t = np.arange(0.0, 0.05, DT)
    for j in range(7):
        angle = np.tile(pose, (t.size, 1))
        angle[:, j] += 0.5 * 0.3 * t**2
        torque = bodies.load_torque(
            angle, DT, np.full(t.size, PAYLOAD_KG), np.full(t.size, base_end == "B")
        )
        assert torque[1, j] == pytest.approx(inertia[j] * np.radians(0.3), rel=1e-3, abs=1e-4)
    levers = bodies.tip_levers(pose, base_end)
    # A lever is a cross product, so it is as long as the distance from the axis.
    assert np.linalg.norm(levers, axis=1) == pytest.approx(reach, abs=1e-9)
