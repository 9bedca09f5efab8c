"""Joint torques from rigid-body motion, and the tip's speed, for many instants at once.

Recursive Newton-Euler (Luh, Walker & Paul, J. Dyn. Sys. Meas. Control 102,
1980): velocities and accelerations outward from the base, forces and moments
back inward, every vector in the frame of its own joint. Rotors count through
their reflected inertia only (`replay.arm.drive`), not through their gyroscopic
moments; flexing of the arm is not modelled.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from replay.arm.chain import Chain, End, chain_from
from replay.arm.description import Arm
from replay.arm.forward_kinematics import joint_columns
from replay.arm.transforms import Array
from replay.errors import ArmFileError

_CHUNK = 4096


@dataclass(frozen=True, slots=True)
class Loads:
    """What the motion asks of the joints.

    ``torque_nm`` is (n, k), joints end A first: the torque that the joint must
    give at its output, positive with the angle. ``tip_speed_m_s`` is (n,).
    """

    torque_nm: Array
    tip_speed_m_s: Array


def has_masses(arm: Arm) -> bool:
    """Tell whether loads can be computed: geometry, and a link mass for every joint.

    Parameters
    ----------
    arm : Arm
        An arm file as `load_arm` reads it.

    Returns
    -------
    bool
        Whether there is enough for the inverse dynamics.
    """
    return arm.tip_from_last is not None and all(j.link is not None for j in arm.joints)


def loads(
    arm: Arm,
    angle_deg: ArrayLike,
    rate_deg_s: ArrayLike,
    accel_deg_s2: ArrayLike,
    *,
    base: End = "A",
    payload_kg: ArrayLike = 0.0,
    gravity_m_s2: ArrayLike | None = None,
) -> Loads:
    """Return the joint torques of a motion (inverse dynamics).

    Parameters
    ----------
    arm : Arm
        With geometry and link masses; a link without inertia is a point mass.
    angle_deg, rate_deg_s, accel_deg_s2 : (n, k)
        Joints end A first, whichever end is the base.
    base : {"A", "B"}
    payload_kg : float or (n,)
        Carried by the tip, at the arm's ``payload_centre_m``, with its
        ``payload_gyration_m`` when given.
    gravity_m_s2 : (3,), optional
        In the base's frame; the arm's own by default.

    Raises
    ------
    ArmFileError
        No geometry, or a joint without a link mass.
    UsageError
        Arrays that do not fit the arm.
    """
    if arm.tip_from_last is not None and not has_masses(arm):
        missing = next(j.name for j in arm.joints if j.link is None)
        raise ArmFileError("no link mass", joint=missing, todo="give it a [joints.link]")
    return _run(arm, angle_deg, rate_deg_s, accel_deg_s2, base, payload_kg, gravity_m_s2)


def tip_speed(arm: Arm, angle_deg: ArrayLike, rate_deg_s: ArrayLike, *, base: End = "A") -> Array:
    """Return the tip's speed over the base in m/s, (n,); arguments as for `loads`.

    Angles of all joints matter, and joint rates inside their own limits can
    still add up to a tip that is too fast.

    Parameters
    ----------
    arm : Arm
        An arm file as `load_arm` reads it.
    angle_deg : array of shape (n, joints)
        Joint angles in degrees, end A's joint first.
    rate_deg_s : array of shape (n, joints)
        Joint rates in degrees a second.
    base : {'A', 'B'}
        The end that stands still.

    Returns
    -------
    array of shape (n,)
        Speeds in m/s.
    """
    still = np.zeros_like(np.asarray(rate_deg_s, dtype=float))
    return _run(arm, angle_deg, rate_deg_s, still, base, None, None).tip_speed_m_s


def _run(
    arm: Arm,
    angle_deg: ArrayLike,
    rate_deg_s: ArrayLike,
    accel_deg_s2: ArrayLike,
    base: End,
    payload_kg: ArrayLike | None,
    gravity_m_s2: ArrayLike | None,
) -> Loads:
    count = len(arm.joints)
    chain = chain_from(arm, base)
    angle = np.radians(joint_columns(angle_deg, count, "angle_deg"))
    rate = np.radians(joint_columns(rate_deg_s, count, "rate_deg_s"))
    accel = np.radians(joint_columns(accel_deg_s2, count, "accel_deg_s2"))
    n = len(angle)
    gravity = np.array(arm.gravity_m_s2 if gravity_m_s2 is None else gravity_m_s2, dtype=float)
    mass = None if payload_kg is None else np.broadcast_to(np.asarray(payload_kg, float), (n,))
    torque = np.zeros((n, count))
    speed = np.zeros(n)
    payload = _PayloadShape(arm, chain)

    def work(first: int) -> None:
        part = slice(first, min(first + _CHUNK, n))
        _newton_euler(
            chain,
            np.ascontiguousarray(angle[part].T),
            np.ascontiguousarray(rate[part].T),
            np.ascontiguousarray(accel[part].T),
            gravity,
            None if mass is None else mass[part],
            payload,
            torque[part],
            speed[part],
        )

    starts = range(0, n, _CHUNK)
    if len(starts) > 2:
        with ThreadPoolExecutor(2) as pool:
            list(pool.map(work, starts))
    else:
        for first in starts:
            work(first)
    return Loads(torque, speed)


class _PayloadShape:
    """Where a payload of 1 kg sits in the last moving frame, and its inertia there."""

    def __init__(self, arm: Arm, chain: Chain) -> None:
        last_from_tip = chain.tip
        turn = last_from_tip[:3, :3]
        self.centre = turn @ np.array(arm.payload_centre_m) + last_from_tip[:3, 3]
        self.inertia: Array | None = None
        if arm.payload_gyration_m is not None:
            squares = np.diag(np.square(arm.payload_gyration_m))
            self.inertia = turn @ squares @ turn.T


def _newton_euler(
    chain: Chain,
    angle: Array,
    rate: Array,
    accel: Array,
    gravity: Array,
    payload_kg: Array | None,
    payload: _PayloadShape,
    torque: Array,
    speed: Array,
) -> None:
    """Fill torque (n, k) and tip speed (n,) from (k, n) angles, rates, accelerations in rad."""
    n = angle.shape[1]
    spin = np.zeros((3, n))
    spin_dot = np.zeros((3, n))
    velocity = np.zeros((3, n))
    lift = np.broadcast_to(-gravity[:, None], (3, n))
    turns: list[tuple[Array, Array]] = []
    forces: list[tuple[Array, Array] | None] = []
    for step, joint, body in zip(chain.steps, chain.order, chain.bodies, strict=True):
        arm_m, turn = step[:3, 3], step[:3, :3].T
        c, s = np.cos(angle[joint]), np.sin(angle[joint])
        turns.append((c, s))
        velocity = _into(turn, c, s, velocity + _cross_const(spin, arm_m))
        lift = _into(turn, c, s, lift + _swing(spin, spin_dot, arm_m))
        spin = _into(turn, c, s, spin)
        spin_dot = _into(turn, c, s, spin_dot)
        turning = rate[joint]
        spin_dot[0] += spin[1] * turning
        spin_dot[1] -= spin[0] * turning
        spin_dot[2] += accel[joint]
        spin[2] += turning
        if payload_kg is None or body is None:
            forces.append(None)
            continue
        force = body.mass_kg * (lift + _swing(spin, spin_dot, body.centre_m))
        moment = _turning(body.inertia_kg_m2, spin, spin_dot)
        forces.append((force, moment - _cross_const(force, body.centre_m)))
    tip = velocity + _cross_const(spin, chain.tip[:3, 3])
    speed[:] = np.sqrt(np.einsum("in,in->n", tip, tip))
    if payload_kg is None:
        return
    force = payload_kg * (lift + _swing(spin, spin_dot, payload.centre))
    moment = -_cross_const(force, payload.centre)
    if payload.inertia is not None:
        moment = moment + payload_kg * _turning(payload.inertia, spin, spin_dot)
    for i in range(len(chain.steps) - 1, -1, -1):
        own = forces[i]
        if own is not None:
            force, moment = force + own[0], moment + own[1]
        torque[:, chain.order[i]] = moment[2]
        if i:
            step = chain.steps[i]
            force = _out_of(step[:3, :3], *turns[i], force)
            moment = _out_of(step[:3, :3], *turns[i], moment) - _cross_const(force, step[:3, 3])


def _into(turn: Array, c: Array, s: Array, vector: Array) -> Array:
    """Return a vector of the previous frame in this joint's moving frame."""
    fixed = turn @ vector
    out = np.empty_like(fixed)
    out[0] = c * fixed[0] + s * fixed[1]
    out[1] = c * fixed[1] - s * fixed[0]
    out[2] = fixed[2]
    return out


def _out_of(turn: Array, c: Array, s: Array, vector: Array) -> Array:
    """Return a vector of this joint's moving frame in the previous frame."""
    out = np.empty_like(vector)
    out[0] = c * vector[0] - s * vector[1]
    out[1] = s * vector[0] + c * vector[1]
    out[2] = vector[2]
    return np.asarray(turn @ out)


def _cross_const(vector: Array, fixed: Array) -> Array:
    """Return ``vector x fixed`` for a (3, n) and a (3,)."""
    x, y, z = fixed
    out: Array = np.array([[0, z, -y], [-z, 0, x], [y, -x, 0]]) @ vector
    return out


def _swing(spin: Array, spin_dot: Array, arm_m: Array) -> Array:
    """Return the acceleration of a point fixed at ``arm_m`` in a turning frame."""
    along = arm_m @ spin
    square = np.einsum("in,in->n", spin, spin)
    out: Array = _cross_const(spin_dot, arm_m) + spin * along - arm_m[:, None] * square
    return out


def _turning(inertia: Array, spin: Array, spin_dot: Array) -> Array:
    """Return Euler's moment ``I dw + w x (I w)``."""
    momentum = inertia @ spin
    out = inertia @ spin_dot
    out[0] += spin[1] * momentum[2] - spin[2] * momentum[1]
    out[1] += spin[2] * momentum[0] - spin[0] * momentum[2]
    out[2] += spin[0] * momentum[1] - spin[1] * momentum[0]
    return out
