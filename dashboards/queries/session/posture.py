"""Where the arm's joints are in space, through a window."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt

from dashboards.links import to_datetime
from dashboards.queries.session.sessions import Outline
from replay.archive import Archive
from replay.arm.forward_kinematics import poses
from replay.errors import JointbookError
from replay.units import channel

INSTANTS = 600
End = Literal["A", "B"]


def missing(found: Outline) -> str:
    """Return why there is no posture, or "" when there is one."""
    if found.arm is None:
        return "No posture: the session was taken in without an arm file."
    without = [j for j in found.arm.joint_names if not found.has(j, "angle_deg")]
    if without:
        return f"No posture: no angle was logged for {', '.join(without)}."
    try:
        poses(found.arm, np.zeros(len(found.arm.joints)))
    except JointbookError as error:
        return f"No posture: {error.what}."
    return ""


def posture(
    archive: Archive, found: Outline, start_s: float, end_s: float, base: End
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """Return instants (n,) in s, points (n, joints + 2, 3) in m, axes (n, joints, 3).

    The points are the base, the joints outwards from it, the tip; the axes are
    the joints' unit vectors of turning, in the same order. Angles are
    interpolated between a few thousand of the window's samples: a drawing,
    not a measurement.
    """
    if found.arm is None:
        return np.zeros(0), np.zeros((0, 0, 3), np.float32), np.zeros((0, 0, 3), np.float32)
    names = [channel(j, "angle_deg") for j in found.arm.joint_names]
    points = archive.window(
        found.session,
        names,
        to_datetime(found.zero_ns + int(start_s * 1e9)),
        to_datetime(found.zero_ns + int(np.ceil(end_s * 1e6)) * 1000),
        max_points=4 * INSTANTS,
    )
    t_s = np.linspace(start_s, end_s, INSTANTS)
    angles = np.full((INSTANTS, len(names)), np.nan)
    for i, name in enumerate(names):
        time_ns, values = points[name]
        known = np.isfinite(values)
        if known.any():
            at = (time_ns[known] - found.zero_ns) / 1e9
            angles[:, i] = np.interp(t_s, at, values[known])
    known = np.isfinite(angles).all(axis=1)
    t_s, angles = t_s[known], angles[known]
    if not t_s.size:
        none = np.zeros((0, len(names), 3), np.float32)
        return t_s, np.zeros((0, len(names) + 2, 3), np.float32), none
    placed = poses(found.arm, angles, base=base)
    origin = placed.origin_m
    axes = placed.axis if base == "A" else placed.axis[:, ::-1]
    joints, tip = origin[:, :-1], origin[:, -1:]
    outwards = joints if base == "A" else joints[:, ::-1]
    fixture = np.zeros_like(tip)
    points_m = np.concatenate([fixture, outwards, tip], axis=1).astype(np.float32)
    return t_s, points_m, axes.astype(np.float32)
