"""The bed tender's bodies: drawing, scatter, rigid-body dynamics of many arms at once.

Everything is written in the base's frame about the base's own origin (spatial
vectors: Featherstone, Rigid Body Dynamics Algorithms, 2008, ch. 2 and 6), so that
running sums along the chain take the place of a recursion from link to link. At
zero the arm stands straight up and all frames are parallel. Seen from end B the
drawing is turned half about x: order, places and axes turn round, angles keep
their sign.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

NAMES = ("post1", "lean1", "twist1", "knee", "twist2", "lean2", "post2")
STOUT = np.array([False, True, False, True, False, True, False])
"""Leaning joints have the stout drive, turning joints the slim one."""
GRAVITY = 9.81
PLACE = np.array(
    [
        [0, 0, 0.12],
        [0, 0, 0.18],
        [0, 0, 0.35],
        [0.08, 0, 0.75],
        [-0.08, 0, 0.75],
        [0, 0, 0.35],
        [0, 0, 0.18],
    ]
)
"""Each joint in the frame of the one before, m."""
TIP = np.array([0, 0, 0.12])
AXIS = np.where(STOUT[:, None], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0])
MASS = np.array([7.0, 8.0, 11.0, 14.0, 13.0, 10.5, 8.0, 7.0])
"""The fixture of end A, then what each joint carries, kg."""
CENTRE = np.array(
    [
        [0, 0, 0.06],
        [0, 0.02, 0.1],
        [0, 0, 0.19],
        [0.05, 0, 0.36],
        [-0.03, 0, 0.37],
        [0, 0, 0.17],
        [0, 0.02, 0.08],
        [0, 0, 0.05],
    ]
)
GYRATION = np.array(
    [
        [0.13, 0.13, 0.14],
        [0.13, 0.13, 0.13],
        [0.16, 0.16, 0.13],
        [0.28, 0.28, 0.15],
        [0.28, 0.28, 0.15],
        [0.16, 0.16, 0.13],
        [0.13, 0.13, 0.13],
        [0.13, 0.13, 0.14],
    ]
)
TRAY_CENTRE = np.array([0, 0, 0.16])
TRAY_GYRATION = np.array([0.2, 0.26, 0.18])


@dataclass(frozen=True)
class Build:
    """One arm as it was built: masses and centres beside the drawing's."""

    mass: Array
    centre: Array


def built(rng: np.random.Generator | None = None) -> Build:
    """Return the arm of the drawing, or one that a workshop made of it."""
    if rng is None:
        return Build(MASS, CENTRE)
    return Build(MASS * rng.normal(1, 0.02, 8), CENTRE + rng.normal(0, 0.006, (8, 3)))


class Bodies:
    """Chains of several sessions, some based at end B; arrays are (session, joint, ...)."""

    def __init__(self, base_b: NDArray[np.bool_], build: Build) -> None:
        flip, n = np.array([1.0, -1.0, -1.0]), len(base_b)
        inertia = np.stack([np.diag(g**2) for g in GYRATION]) * build.mass[:, None, None]
        turned = np.vstack([[-TIP], -PLACE[:0:-1]]) * flip
        # Seen from B, joint i carries what lies between it and joint i - 1.
        before = (build.centre[6::-1] - PLACE[::-1]) * flip
        pick = base_b[:, None, None]
        self.base_b = base_b
        self.place = np.where(pick, turned, PLACE)
        self.tip = np.where(base_b[:, None], -PLACE[0] * flip, TIP)
        self.axis = np.where(pick, -AXIS[::-1] * flip, AXIS)
        self.mass = np.concatenate(
            [np.where(base_b[:, None], build.mass[6::-1], build.mass[1:]), np.zeros((n, 1))], 1
        )
        self.centre = np.concatenate(
            [np.where(pick, before, build.centre[1:]), np.zeros((n, 1, 3))], 1
        )
        own = np.where(pick[..., None], inertia[6::-1], inertia[1:])
        self.inertia = np.concatenate([own, np.zeros((n, 1, 3, 3))], 1)
        skew = np.zeros((n, 7, 3, 3))
        x, y, z = np.moveaxis(self.axis, 2, 0)
        skew[..., 0, 1], skew[..., 0, 2], skew[..., 1, 2] = -z, y, -x
        self.skew = skew - np.swapaxes(skew, 2, 3)
        self.square = self.skew @ self.skew
        self.carry(np.zeros(n))

    def carry(self, load_kg: Array, aside: Array | float = 0.0) -> None:
        """Put trays on the tips, their centres ``aside`` (session, 3) of the drawing's, m."""
        self.mass[:, 7] = load_kg
        self.centre[:, 7] = self.tip + TRAY_CENTRE + aside
        self.inertia[:, 7] = np.diag(TRAY_GYRATION**2) * load_kg[:, None, None]

    def pose(self, q: Array) -> tuple[Array, Array, Array, Array]:
        """Return turns (s, 8, 3, 3), joints' places, axes, and bodies' centres (s, 8, 3)."""
        step = np.eye(3) + np.sin(q)[..., None, None] * self.skew
        step += (1 - np.cos(q))[..., None, None] * self.square
        turn = np.empty((len(q), 8, 3, 3))
        place = np.empty((len(q), 8, 3))
        place[:, 0], turn[:, 0] = self.place[:, 0], step[:, 0]
        for i in range(1, 7):
            np.matmul(turn[:, i - 1], step[:, i], out=turn[:, i])
            place[:, i] = place[:, i - 1] + _times(turn[:, i - 1], self.place[:, i])
        turn[:, 7], place[:, 7] = turn[:, 6], place[:, 6]
        axis = _times(turn[:, :7], self.axis)
        return turn, place[:, :7], axis, place + _times(turn, self.centre)


def _times(matrix: Array, vector: Array) -> Array:
    out: Array = np.matmul(matrix, vector[..., None])[..., 0]
    return out


def _cross(a: Array, b: Array) -> Array:
    out = np.empty(np.broadcast_shapes(a.shape, b.shape))
    out[..., 0] = a[..., 1] * b[..., 2] - a[..., 2] * b[..., 1]
    out[..., 1] = a[..., 2] * b[..., 0] - a[..., 0] * b[..., 2]
    out[..., 2] = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return out


def _outward(x: Array) -> Array:
    """Sum from each joint to the tip."""
    out: Array = np.cumsum(x[:, ::-1], axis=1)[:, ::-1]
    return out


def _merged(x: Array) -> Array:
    """Give the tray to the last link."""
    out = x[:, :7].copy()
    out[:, 6] += x[:, 7]
    return out


def dynamics(bodies: Bodies, q: Array, dq: Array) -> tuple[Array, Array, Array]:
    """Return mass matrices, bias torques (gravity too) and potential energies.

    ``q`` and ``dq`` (session, 7) count from the base; the torque that moves the arm
    by ``ddq`` is ``matrix @ ddq + bias``.
    """
    turn, place, axis, centre = bodies.pose(q)
    screw = np.concatenate([axis, _cross(place, axis)], 2)
    mass, n = bodies.mass, len(q)
    about = turn @ bodies.inertia @ np.swapaxes(turn, 2, 3)
    far = np.einsum("skj,skj->sk", centre, centre)
    about += mass[..., None, None] * (
        far[..., None, None] * np.eye(3) - centre[..., :, None] * centre[..., None, :]
    )
    hung = np.zeros((n, 8, 3, 3))
    x, y, z = np.moveaxis(mass[..., None] * centre, 2, 0)
    hung[..., 0, 1], hung[..., 0, 2], hung[..., 1, 2] = -z, y, -x
    hung[..., 1, 0], hung[..., 2, 0], hung[..., 2, 1] = z, -y, x
    spatial = np.empty((n, 8, 6, 6))
    spatial[..., :3, :3], spatial[..., :3, 3:], spatial[..., 3:, :3] = about, hung, -hung
    spatial[..., 3:, 3:] = mass[..., None, None] * np.eye(3)
    single = _merged(spatial)
    half = np.triu(np.matmul(screw, np.swapaxes(_times(_outward(single), screw), 1, 2)))
    matrix = half + np.swapaxes(np.triu(half, 1), 1, 2)
    part = screw * dq[..., None]
    speed = np.cumsum(part, axis=1)
    spin, slide = speed[..., :3], speed[..., 3:]
    turning = np.empty_like(part)
    turning[..., :3] = _cross(spin, part[..., :3])
    turning[..., 3:] = _cross(spin, part[..., 3:]) + _cross(slide, part[..., :3])
    acceleration = np.cumsum(turning, axis=1)
    acceleration[..., 5] += GRAVITY
    momentum, force = _times(single, speed), _times(single, acceleration)
    force[..., :3] += _cross(spin, momentum[..., :3]) + _cross(slide, momentum[..., 3:])
    force[..., 3:] += _cross(spin, momentum[..., 3:])
    bias = np.einsum("sij,sij->si", screw, _outward(force))
    return matrix, bias, GRAVITY * np.einsum("sk,sk->s", mass, centre[..., 2])


def holding(bodies: Bodies, q: Array) -> Array:
    """Return the torques (session, 7) that hold the arm still."""
    _, place, axis, centre = bodies.pose(q)
    beyond = _outward(_merged(bodies.mass[..., None] * centre))
    mass = _outward(_merged(bodies.mass[..., None]))
    lever = beyond - mass * place
    return GRAVITY * (axis[..., 0] * lever[..., 1] - axis[..., 1] * lever[..., 0])
