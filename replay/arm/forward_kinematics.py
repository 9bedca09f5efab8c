"""Where the joints and the tip are, for many instants at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from replay.arm.chain import Chain, End, chain_from
from replay.arm.description import Arm
from replay.arm.transforms import Array
from replay.errors import UsageError

_CHUNK = 8192


@dataclass(frozen=True, slots=True)
class Poses:
    """Places and turns in the base's frame, for ``n`` instants.

    ``origin_m`` is (n, k + 1, 3): the joints in the arm file's order (end A
    first), then the tip. ``tip_rotation`` is (n, 3, 3), base from tip.
    ``axis`` is (n, k, 3): the unit vectors that the joints turn about.
    """

    origin_m: Array
    tip_rotation: Array
    axis: Array

    @property
    def tip_m(self) -> Array:
        """The tip's place, (n, 3)."""
        return self.origin_m[:, -1]


def poses(arm: Arm, angle_deg: ArrayLike, *, base: End = "A") -> Poses:
    """Return the pose of every joint and of the tip.

    Parameters
    ----------
    arm : Arm
        With geometry.
    angle_deg : (n, k) or (k,)
        Joint angles, end A first, whichever end is the base.
    base : {"A", "B"}
        The end that is fixed; frames as in `replay.arm.chain`.

    Raises
    ------
    ArmFileError
        The arm has no geometry.
    UsageError
        The number of angles is not the number of joints.
    """
    chain = chain_from(arm, base)
    angles = np.radians(joint_columns(angle_deg, len(arm.joints), "angle_deg"))
    n, count = angles.shape
    origin = np.empty((n, count + 1, 3))
    rotation = np.empty((n, 3, 3))
    axis = np.empty((n, count, 3))
    for first in range(0, n, _CHUNK):
        part = slice(first, min(first + _CHUNK, n))
        _fill(chain, angles[part].T, origin[part], rotation[part], axis[part])
    return Poses(origin, rotation, axis)


def tip_place(arm: Arm, angle_deg: ArrayLike, *, base: End = "A") -> Array:
    """Return only the tip's place in m, (n, 3); arguments and errors as for `poses`.

    One vector carried from the tip back to the base, a fraction of the work of `poses`.

    Parameters
    ----------
    arm : Arm
        An arm file as `load_arm` reads it.
    angle_deg : array of shape (n, joints)
        Joint angles in degrees, end A's joint first.
    base : {'A', 'B'}
        The end that stands still.

    Returns
    -------
    array of shape (n, 3)
        Places in m, in the frame of the base end.
    """
    chain = chain_from(arm, base)
    angles = np.radians(joint_columns(angle_deg, len(arm.joints), "angle_deg"))
    out = np.empty((len(angles), 3))
    for first in range(0, len(angles), _CHUNK):
        part = np.ascontiguousarray(angles[first : first + _CHUNK].T)
        place = np.repeat(chain.tip[:3, 3, None], part.shape[1], axis=1)
        for step, joint in zip(reversed(chain.steps), reversed(chain.order), strict=True):
            c, s = np.cos(part[joint]), np.sin(part[joint])
            x, y = place[0], place[1]
            turned = np.stack([c * x - s * y, s * x + c * y, place[2]])
            place = step[:3, :3] @ turned + step[:3, 3, None]
        out[first : first + _CHUNK] = place.T
    return out


def joint_columns(values: ArrayLike, count: int, name: str) -> Array:
    """Return ``values`` as (n, count) floats; UsageError when they do not fit."""
    out = np.atleast_2d(np.asarray(values, dtype=float))
    if out.ndim != 2 or out.shape[1] != count:
        raise UsageError(f"{name} has shape {np.shape(values)}, the arm has {count} joints")
    return out


def _fill(chain: Chain, angle_rad: Array, origin: Array, rotation: Array, axis: Array) -> None:
    n = angle_rad.shape[1]
    turned = np.broadcast_to(np.eye(3)[:, :, None], (3, 3, n))  # base from moving, row by row
    place = np.zeros((3, n))
    for step, joint in zip(chain.steps, chain.order, strict=True):
        place = place + np.einsum("ijn,j->in", turned, step[:3, 3])
        turned = np.einsum("ijn,jk->ikn", turned, step[:3, :3])
        c, s = np.cos(angle_rad[joint]), np.sin(angle_rad[joint])
        x, y = turned[:, 0], turned[:, 1]
        turned = np.stack([x * c + y * s, y * c - x * s, turned[:, 2]], axis=1)
        origin[:, joint] = place.T
        axis[:, joint] = turned[:, 2].T  # a joint turns about its frame's own z
    origin[:, -1] = (place + np.einsum("ijn,j->in", turned, chain.tip[:3, 3])).T
    rotation[:] = np.einsum("ijn,jk->nik", turned, chain.tip[:3, :3])
