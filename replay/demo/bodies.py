"""Torque that the arm's own bodies and its payload ask of each joint.

The bodies are broken into point masses. Their positions over time are
differenced twice, and the torque at a joint is the moment of all mass times
acceleration on its free side. There is no recursion and no inertia matrix:
nothing here is shared with the tool's own inverse dynamics.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from replay.demo import heron

Array = NDArray[np.float64]

_PAYLOAD_HALF_M = 0.5


def _turn(axis: str, angle: Array) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    o, one = np.zeros_like(c), np.ones_like(c)
    rows = {
        "x": [[one, o, o], [o, c, -s], [o, s, c]],
        "y": [[c, o, s], [o, one, o], [-s, o, c]],
        "z": [[c, -s, o], [s, c, o], [o, o, one]],
    }[axis]
    return np.stack([np.stack(r, axis=-1) for r in rows], axis=-2)


def chain(angle_deg: Array) -> tuple[Array, Array, Array, Array]:
    """Follow the chain from end A.

    Returns joint origins (7, n, 3), joint axes (7, n, 3), frames of the
    bodies (8, n, 3, 3) and the place of end B (n, 3), all in end A's frame.
    """
    n = angle_deg.shape[0]
    frame = np.broadcast_to(np.eye(3), (n, 3, 3))
    at = np.zeros((n, 3))
    at[:, 2] = heron.END_M
    origins, axes, frames = [], [], [frame]
    for k, place in enumerate(heron.PLACES):
        unit = np.array([place.axis == a for a in "xyz"], dtype=float)
        origins.append(at)
        axes.append(frame @ unit)
        frame = frame @ _turn(place.axis, np.radians(angle_deg[:, k]))
        frames.append(frame)
        at = at + frame[:, :, 2] * place.length_m
    return np.stack(origins), np.stack(axes), np.stack(frames), at


def load_torque(angle_deg: Array, dt: float, payload_kg: Array, base_b: NDArray[np.bool_]) -> Array:
    """Return the torque at each joint's output, N m, shape (n, 7).

    ``payload_kg`` and ``base_b`` have shape (n,); the payload hangs on the
    free end. Positive torque drives the joint in its positive direction.
    """
    torque = np.zeros_like(angle_deg)
    for from_b in (False, True):
        chosen = base_b == from_b
        if chosen.any():
            torque[chosen] = _from_base(angle_deg, dt, payload_kg, from_b)[chosen]
    return torque


def inertia_and_reach(pose_deg: Array, payload_kg: float, base_end: str) -> tuple[Array, Array]:
    """Return each joint's inertia, kg m2, and the free tip's distance from its axis, m.

    Both at one pose, all other joints stiff; shapes (7,).
    """
    from_b = base_end == "B"
    pose = pose_deg[None, :]
    place, kg, pivots, axes = _points(pose, np.array([payload_kg]), from_b)
    tip = place[-6:, 0].mean(axis=0)
    inertia, reach = np.empty(heron.JOINTS), np.empty(heron.JOINTS)
    for j in range(heron.JOINTS):
        arm = np.cross(axes[j, 0], place[_free_side(j, from_b), 0] - pivots[j, 0])
        inertia[j] = (kg[_free_side(j, from_b), 0] * (arm**2).sum(axis=-1)).sum()
        reach[j] = np.linalg.norm(np.cross(axes[j, 0], tip - pivots[j, 0]))
    return inertia, reach


def tip_levers(pose_deg: Array, base_end: str) -> Array:
    """Return the free tip's velocity per joint rate at one pose, m/s per rad/s, (7, 3)."""
    from_b = base_end == "B"
    place, _, pivots, axes = _points(pose_deg[None, :], np.zeros(1), from_b)
    tip = place[-6:, 0].mean(axis=0)
    turns = np.cross(axes[:, 0], tip - pivots[:, 0])
    return np.asarray(-turns if from_b else turns, dtype=np.float64)


def _from_base(angle_deg: Array, dt: float, payload_kg: Array, from_b: bool) -> Array:
    place, kg, pivots, axes = _points(angle_deg, payload_kg, from_b)
    pull = kg[:, :, None] * _second_difference(place, dt)
    torque = np.empty_like(angle_deg)
    for j in range(heron.JOINTS):
        free = _free_side(j, from_b)
        moment = np.cross(place[free] - pivots[j], pull[free]).sum(axis=0)
        torque[:, j] = np.einsum("ni,ni->n", moment, axes[j]) * (-1.0 if from_b else 1.0)
    return torque


def _free_side(joint: int, from_b: bool) -> NDArray[np.bool_]:
    body_points = 3 * (heron.JOINTS + 1)
    free = np.zeros(body_points + 6, dtype=bool)
    free[body_points:] = True
    free[slice(0, 3 * (joint + 1)) if from_b else slice(3 * (joint + 1), body_points)] = True
    return free


def _points(angle_deg: Array, payload_kg: Array, from_b: bool) -> tuple[Array, Array, Array, Array]:
    """Return places (30, n, 3) and masses (30, n), pivots and axes (7, n, 3), in the base."""
    origins, axes, frames, tip = chain(angle_deg)
    along = frames[:, :, :, 2]
    # Three point masses a body give a uniform rod its exact second moment.
    points, masses = [], []
    lengths = [heron.END_M, *(p.length_m for p in heron.PLACES)]
    kilos = [heron.BASE_BODY_KG, *(p.mass_kg for p in heron.PLACES)]
    starts = [np.zeros_like(tip), *origins]
    for body, (start, length, kg) in enumerate(zip(starts, lengths, kilos, strict=True)):
        for share, part in ((0.0, 1 / 6), (0.5, 2 / 3), (1.0, 1 / 6)):
            points.append(start + along[body] * (share * length))
            masses.append(np.full(tip.shape[0], kg * part))
    grip, frame, outward = (tip, frames[-1], 1.0) if not from_b else (0.0 * tip, frames[0], -1.0)
    centre = grip + frame[:, :, 2] * (outward * heron.PAYLOAD_OFFSET_M)
    for column in range(3):
        for side in (-1.0, 1.0):
            points.append(centre + frame[:, :, column] * (side * _PAYLOAD_HALF_M))
            masses.append(payload_kg / 6)
    place, kg_now = np.stack(points), np.stack(masses)
    pivots = origins
    if from_b:
        last = frames[-1]
        place = np.einsum("nji,pnj->pni", last, place - tip)
        pivots = np.einsum("nji,pnj->pni", last, origins - tip)
        axes = np.einsum("nji,pnj->pni", last, axes)
    return place, kg_now, pivots, axes


def _second_difference(x: Array, dt: float) -> Array:
    out = np.zeros_like(x)
    out[:, 1:-1] = (x[:, 2:] - 2 * x[:, 1:-1] + x[:, :-2]) / dt**2
    return out
