"""The recursive Newton-Euler sweep: torques at all joints, for many instants at once."""

from __future__ import annotations

import numpy as np

from replay.arm.chain import Chain
from replay.arm.description import Arm
from replay.arm.transforms import Array


class PayloadShape:
    """Where a payload of 1 kg sits in the last moving frame, and its inertia there."""

    def __init__(self, arm: Arm, chain: Chain) -> None:
        last_from_tip = chain.tip
        turn = last_from_tip[:3, :3]
        self.centre = turn @ np.array(arm.payload_centre_m) + last_from_tip[:3, 3]
        self.inertia: Array | None = None
        if arm.payload_gyration_m is not None:
            squares = np.diag(np.square(arm.payload_gyration_m))
            self.inertia = turn @ squares @ turn.T


def newton_euler(
    chain: Chain,
    angle: Array,
    rate: Array,
    accel: Array,
    gravity: Array,
    payload_kg: Array | None,
    payload: PayloadShape,
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
        velocity = into(turn, c, s, velocity + cross_const(spin, arm_m))
        lift = into(turn, c, s, lift + _swing(spin, spin_dot, arm_m))
        spin = into(turn, c, s, spin)
        spin_dot = into(turn, c, s, spin_dot)
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
        forces.append((force, moment - cross_const(force, body.centre_m)))
    tip = velocity + cross_const(spin, chain.tip[:3, 3])
    speed[:] = np.sqrt(np.einsum("in,in->n", tip, tip))
    if payload_kg is None:
        return
    force = payload_kg * (lift + _swing(spin, spin_dot, payload.centre))
    moment = -cross_const(force, payload.centre)
    if payload.inertia is not None:
        moment = moment + payload_kg * _turning(payload.inertia, spin, spin_dot)
    for i in range(len(chain.steps) - 1, -1, -1):
        own = forces[i]
        if own is not None:
            force, moment = force + own[0], moment + own[1]
        torque[:, chain.order[i]] = moment[2]
        if i:
            step = chain.steps[i]
            force = out_of(step[:3, :3], *turns[i], force)
            moment = out_of(step[:3, :3], *turns[i], moment) - cross_const(force, step[:3, 3])


def into(turn: Array, c: Array, s: Array, vector: Array) -> Array:
    """Return a vector of the previous frame in this joint's moving frame."""
    fixed = turn @ vector
    out = np.empty_like(fixed)
    out[0] = c * fixed[0] + s * fixed[1]
    out[1] = c * fixed[1] - s * fixed[0]
    out[2] = fixed[2]
    return out


def out_of(turn: Array, c: Array, s: Array, vector: Array) -> Array:
    """Return a vector of this joint's moving frame in the previous frame."""
    out = np.empty_like(vector)
    out[0] = c * vector[0] - s * vector[1]
    out[1] = s * vector[0] + c * vector[1]
    out[2] = vector[2]
    return np.asarray(turn @ out)


def cross_const(vector: Array, fixed: Array) -> Array:
    """Return ``vector x fixed`` for a (3, n) and a (3,)."""
    x, y, z = fixed
    out: Array = np.array([[0, z, -y], [-z, 0, x], [y, -x, 0]]) @ vector
    return out


def _swing(spin: Array, spin_dot: Array, arm_m: Array) -> Array:
    """Return the acceleration of a point fixed at ``arm_m`` in a turning frame."""
    along = arm_m @ spin
    square = np.einsum("in,in->n", spin, spin)
    out: Array = cross_const(spin_dot, arm_m) + spin * along - arm_m[:, None] * square
    return out


def _turning(inertia: Array, spin: Array, spin_dot: Array) -> Array:
    """Return Euler's moment ``I dw + w x (I w)``."""
    momentum = inertia @ spin
    out = inertia @ spin_dot
    out[0] += spin[1] * momentum[2] - spin[2] * momentum[1]
    out[1] += spin[2] * momentum[0] - spin[0] * momentum[2]
    out[2] += spin[0] * momentum[1] - spin[1] * momentum[0]
    return out
