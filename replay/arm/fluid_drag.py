"""Torques that a fluid's drag asks of the joints: a force against the speed, with its square.

A body that moves with v through water is held back by ``c |v| v`` (turbulent drag: Fossen,
Guidance and Control of Ocean Vehicles, 1994, ch. 2, from memory); a joint that drives it gives
that force times its lever. How much a body resists nobody draws in an arm file: it is taken to
grow with its mass to the power of two thirds, as the face of bodies of one shape and density
does, and the factor is left to be learned. Currents and lift are not modelled.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from replay.arm.chain import Chain, End, chain_from
from replay.arm.description import Arm
from replay.arm.forward_kinematics import joint_columns
from replay.arm.newton_euler import PayloadShape, cross_const, into, out_of
from replay.arm.transforms import Array

FACE = 2 / 3
"""Power of its mass with which a body's face grows."""


@dataclass(frozen=True, slots=True)
class FluidDrag:
    """Torque (n, k) against a fluid, joints end A first: of the arm's own links, and of a payload.

    In N m for a factor of 1: a body of 1 kg that is held back by 1 N at 1 m/s.
    """

    links_nm: Array
    payload_nm: Array


def fluid_drag(
    arm: Arm,
    angle_deg: ArrayLike,
    rate_deg_s: ArrayLike,
    *,
    base: End = "A",
) -> FluidDrag:
    """Return what still water asks of the joints while the arm moves.

    Parameters
    ----------
    arm : Arm
        An arm file with geometry; of links without a mass nothing is asked.
    angle_deg, rate_deg_s : (n, k)
        Joints end A first, whichever end is the base.
    base : {"A", "B"}

    Returns
    -------
    FluidDrag
        Of the links, and of a payload of 1 kg at the arm's ``payload_centre_m``.

    Raises
    ------
    ArmFileError
        No geometry.
    """
    count = len(arm.joints)
    chain = chain_from(arm, base)
    angle = np.radians(joint_columns(angle_deg, count, "angle_deg")).T
    rate = np.radians(joint_columns(rate_deg_s, count, "rate_deg_s")).T
    n = angle.shape[1]
    spin, velocity = np.zeros((3, n)), np.zeros((3, n))
    turns: list[tuple[Array, Array]] = []
    forces: list[tuple[Array, Array]] = []
    for step, joint, body in zip(chain.steps, chain.order, chain.bodies, strict=True):
        turn = step[:3, :3].T
        c, s = np.cos(angle[joint]), np.sin(angle[joint])
        turns.append((c, s))
        velocity = into(turn, c, s, velocity + cross_const(spin, step[:3, 3]))
        spin = into(turn, c, s, spin)
        spin[2] += rate[joint]
        if body is None:
            forces.append((np.zeros((3, n)), np.zeros((3, n))))
        else:
            forces.append(_held_back(velocity, spin, body.centre_m, body.mass_kg**FACE))
    nothing = (np.zeros((3, n)), np.zeros((3, n)))
    carried = _held_back(velocity, spin, PayloadShape(arm, chain).centre, 1.0)
    return FluidDrag(
        _inward(chain, turns, forces, nothing),
        _inward(chain, turns, [nothing] * count, carried),
    )


def _held_back(velocity: Array, spin: Array, centre_m: Array, face: float) -> tuple[Array, Array]:
    """Return force and moment about the frame that a point's motion takes from its joint."""
    point = velocity + cross_const(spin, centre_m)
    force = face * np.sqrt(np.einsum("in,in->n", point, point)) * point
    return force, -cross_const(force, centre_m)


def _inward(
    chain: Chain,
    turns: list[tuple[Array, Array]],
    forces: list[tuple[Array, Array]],
    tip: tuple[Array, Array],
) -> Array:
    force, moment = tip
    torque = np.zeros((force.shape[1], len(chain.steps)))
    for i in range(len(chain.steps) - 1, -1, -1):
        force, moment = force + forces[i][0], moment + forces[i][1]
        torque[:, chain.order[i]] = moment[2]
        if i:
            step = chain.steps[i]
            force = out_of(step[:3, :3], *turns[i], force)
            moment = out_of(step[:3, :3], *turns[i], moment) - cross_const(force, step[:3, 3])
    return torque
