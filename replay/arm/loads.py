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

from replay.arm.chain import End, chain_from
from replay.arm.description import Arm
from replay.arm.forward_kinematics import joint_columns
from replay.arm.newton_euler import PayloadShape, newton_euler
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
    payload = PayloadShape(arm, chain)

    def work(first: int) -> None:
        part = slice(first, min(first + _CHUNK, n))
        newton_euler(
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
