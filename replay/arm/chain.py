"""The arm as a chain seen from one of its ends, every joint turning about its own z.

From end A the chain is the arm file's. From end B it is the inverse: order
turned round, axes negated (a logged angle keeps its sign), each link handed
to the joint that now moves it. Frames at the two ends follow one rule: a
*tip* frame is the arm file's at end B and, at end A, the end-A fixture frame
turned half about x; a *base* frame is the tip frame of the other kind turned
half about x. So z looks out of the arm at a tip and into it at a base, from
whichever end one looks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from replay.arm.description import Arm, Link
from replay.arm.reading import moved_link
from replay.arm.transforms import FLIP, Array, inertia_matrix, inverse
from replay.errors import ArmFileError

End = Literal["A", "B"]


@dataclass(frozen=True, slots=True)
class Body:
    """A rigid body in the moving frame of the joint that carries it."""

    mass_kg: float
    centre_m: Array
    inertia_kg_m2: Array
    """(3, 3), about the centre of mass."""


@dataclass(frozen=True, slots=True)
class Chain:
    """A serial chain from its base; index 0 is the joint nearest the base.

    ``steps[i]`` is the transform from the moving frame of joint ``i - 1`` (the
    base for 0) to joint ``i``'s frame at zero, whose z is the axis;
    ``tip`` follows the last. ``order[i]`` is the joint's place in the arm file.
    """

    base: End
    order: tuple[int, ...]
    steps: tuple[Array, ...]
    tip: Array
    bodies: tuple[Body | None, ...]

    def transforms(self, angle_rad: Array) -> list[Array]:
        """Return base-to-joint transforms and the tip's, for one posture in chain order."""
        out, now = [], np.eye(4)
        for step, angle in zip(self.steps, angle_rad, strict=True):
            c, s = np.cos(angle), np.sin(angle)
            spin = np.eye(4)
            spin[:2, :2] = [[c, -s], [s, c]]
            now = now @ step @ spin
            out.append(now)
        out.append(now @ self.tip)
        return out


def chain_from(arm: Arm, base: End = "A") -> Chain:
    """Return the chain as seen from an end.

    Raises
    ------
    ArmFileError
        The arm has no geometry, or ``base`` is neither "A" nor "B".
    """
    if base not in ("A", "B"):
        raise ArmFileError(f"the base end is 'A' or 'B', not {base!r}")
    if arm.tip_from_last is None or any(j.from_previous is None for j in arm.joints):
        raise ArmFileError(
            "the arm has no geometry", todo="give every [[joints]] a [joints.geometry]"
        )
    count = len(arm.joints)
    placed = [np.array(j.from_previous) for j in arm.joints]
    after = np.array(arm.tip_from_last)
    links: list[Link | None]
    if base == "A":
        order = list(range(count))
        before, tip = placed, after
        axes = [np.array(j.axis) for j in arm.joints]
        links = [j.link for j in arm.joints]
    else:
        order = list(range(count - 1, -1, -1))
        before = [FLIP @ inverse(after)] + [inverse(placed[i]) for i in range(count - 1, 0, -1)]
        tip = inverse(placed[0]) @ FLIP
        axes = [-np.array(arm.joints[i].axis) for i in order]
        links = []
        for i in order:  # joint i, seen from B, carries what lies between it and joint i - 1
            body = arm.joints[i - 1].link if i > 0 else arm.base_link
            links.append(None if body is None else moved_link(body, inverse(placed[i])))
    steps, bodies = [], []
    unalign = np.eye(4)
    for step, axis, link in zip(before, axes, links, strict=True):
        align = _onto_z(axis)
        steps.append(unalign @ step @ align)
        unalign = inverse(align)
        bodies.append(None if link is None else _body(moved_link(link, unalign)))
    return Chain(base, tuple(order), tuple(steps), unalign @ tip, tuple(bodies))


def _onto_z(axis: Array) -> Array:
    """Return a turn that takes z to ``axis``."""
    out = np.eye(4)
    z = np.array([0.0, 0.0, 1.0])
    cosine = float(axis @ z)
    if cosine > 1 - 1e-15:
        return out
    if cosine < -1 + 1e-15:
        return FLIP.copy()
    side = np.cross(z, axis)
    side /= np.linalg.norm(side)
    out[:3, 0], out[:3, 1], out[:3, 2] = np.cross(side, axis), side, axis
    return out


def _body(link: Link) -> Body:
    return Body(link.mass_kg, np.array(link.centre_m), inertia_matrix(link.inertia_kg_m2))


@dataclass(frozen=True, slots=True)
class Reversal:
    """How the angles seen from one end read from the other.

    With ``q`` the joints in chain order from one base, the same posture in
    the chain from the other base is that of ``signs * q[::-1]`` in the first
    chain, its ends' frames turned by ``roll_deg`` about z.
    """

    signs: tuple[int, ...]
    roll_deg: float

    def apply(self, angle_deg: Array) -> Array:
        """Return the mirrored angles; last axis is the joints, end A first."""
        out: Array = np.asarray(angle_deg, dtype=float)[..., ::-1] * np.array(self.signs)
        return out


def reversal(arm: Arm, *, tolerance_m: float = 1e-9) -> Reversal | None:
    """Derive the sign pattern with which this arm looks the same from both ends.

    The chain from end B is compared with the chain from end A: the tip's place
    at zero must agree, and each joint's screw axis (in base coordinates, at
    zero) up to its sign; that is the whole condition (product of exponentials:
    Lynch & Park, Modern Robotics, 2017, ch. 4). Turns of the end frames about
    their z by quarter turns are tried.

    Parameters
    ----------
    arm : Arm
        An arm file as `load_arm` reads it.
    tolerance_m : float
        How far places may differ, in m.

    Returns
    -------
    Reversal or None
        None when there is no such pattern: the arm, its zero or its axes are
        not symmetric enough, and each base must be computed on its own.
    """
    screws_a, home_a = _screws(chain_from(arm, "A"))
    screws_b, home_b = _screws(chain_from(arm, "B"))
    for quarter in range(4):
        roll = np.eye(4)
        c, s = [(1, 0), (0, 1), (-1, 0), (0, -1)][quarter]
        roll[:2, :2] = [[c, -s], [s, c]]
        if np.abs(roll @ home_b @ inverse(roll) - home_a).max() > tolerance_m:
            continue
        turned = [_turned(roll, screw) for screw in screws_b]
        signs = []
        for one, other in zip(screws_a, turned, strict=True):
            if np.abs(one - other).max() <= tolerance_m:
                signs.append(1)
            elif np.abs(one + other).max() <= tolerance_m:
                signs.append(-1)
        if len(signs) == len(screws_a):
            return Reversal(tuple(signs), 90.0 * quarter)
    return None


def _screws(chain: Chain) -> tuple[list[Array], Array]:
    frames = chain.transforms(np.zeros(len(chain.steps)))
    out = []
    for frame in frames[:-1]:
        axis = frame[:3, 2]
        out.append(np.concatenate([axis, np.cross(frame[:3, 3], axis)]))
    return out, frames[-1]


def _turned(roll: Array, screw: Array) -> Array:
    return np.concatenate([roll[:3, :3] @ screw[:3], roll[:3, :3] @ screw[3:]])
