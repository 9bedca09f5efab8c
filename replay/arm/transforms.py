"""Rigid transforms as 4x4 arrays; names read ``to_from`` right to left.

``turn`` and ``shift`` build elementary ones, `from_xyz_rpy` the pair that arm
files use. Roll, pitch, yaw are turns about the fixed x, y and z axis in that
order: ``R = Rz(yaw) Ry(pitch) Rx(roll)``.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

FLIP: Array = np.diag([1.0, -1.0, -1.0, 1.0])
"""Half a turn about x. An end's own frame looks out of the arm, its base
frame looks into it: this takes one to the other."""


def shift(xyz_m: ArrayLike) -> Array:
    """Return the transform that moves by ``xyz_m`` (3 values, metres)."""
    out = np.eye(4)
    out[:3, 3] = np.asarray(xyz_m, dtype=float)
    return out


def turn(axis: ArrayLike, angle_rad: float) -> Array:
    """Return the turn by ``angle_rad`` about a unit ``axis`` (Rodrigues' formula)."""
    x, y, z = np.asarray(axis, dtype=float)
    skew = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    out = np.eye(4)
    out[:3, :3] += np.sin(angle_rad) * skew + (1 - np.cos(angle_rad)) * (skew @ skew)
    return out


def from_xyz_rpy(xyz_m: ArrayLike, rpy_deg: ArrayLike) -> Array:
    """Return the transform of a place (metres) and roll, pitch, yaw (degrees)."""
    roll, pitch, yaw = np.radians(np.asarray(rpy_deg, dtype=float))
    return (
        shift(xyz_m)
        @ turn([0, 0, 1], float(yaw))
        @ turn([0, 1, 0], float(pitch))
        @ turn([1, 0, 0], float(roll))
    )


def inverse(transform: Array) -> Array:
    """Return the inverse of a rigid transform (transpose, no solve)."""
    out = np.eye(4)
    out[:3, :3] = transform[:3, :3].T
    out[:3, 3] = -transform[:3, :3].T @ transform[:3, 3]
    return out


def as_rows(transform: Array) -> tuple[tuple[float, ...], ...]:
    """Return the 16 numbers as nested tuples, as the arm's records keep them."""
    return tuple(tuple(float(v) for v in row) for row in transform)


def inertia_matrix(inertia_kg_m2: Sequence[float] | None) -> Array:
    """Return the 3x3 tensor of ``Ixx Iyy Izz Ixy Ixz Iyz``; None gives zeros.

    The last three are the tensor's own off-diagonal elements (products of
    inertia with their sign), not their negatives.
    """
    if inertia_kg_m2 is None:
        return np.zeros((3, 3))
    xx, yy, zz, xy, xz, yz = inertia_kg_m2
    return np.array([[xx, xy, xz], [xy, yy, yz], [xz, yz, zz]])


def six_of(matrix: Array) -> tuple[float, float, float, float, float, float]:
    """Return ``Ixx Iyy Izz Ixy Ixz Iyz`` of a symmetric 3x3 tensor."""
    m = matrix
    return (
        float(m[0, 0]),
        float(m[1, 1]),
        float(m[2, 2]),
        float(m[0, 1]),
        float(m[0, 2]),
        float(m[1, 2]),
    )
