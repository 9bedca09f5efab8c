"""The rigid-body torque at each joint: from the arm file, from an identified chain, or none.

A load is linear in the payload's mass, so that it is worked out bare and for one
kilogram more; whatever the payload turns out to be costs nothing afterwards.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.ndimage import uniform_filter1d

from replay.arm import Arm, has_masses, loads
from replay.arm.chain import End
from replay.arm.fluid_drag import FACE, fluid_drag
from replay.models.grid.blocks import SessionBlocks
from replay.models.residuals import Floats
from replay.signals.channels import ENDS, arm_of

SMOOTH = 51
"""Blocks over which the noise of torques is evened out: one draw of it a block is made."""

FROM_FILE, IDENTIFIED, NONE = "arm file", "identified", "none"


@dataclass(frozen=True, slots=True)
class Loads:
    """Torque (Nm) of the bare arm and of one kilogram at the tip; (n,) by joint.

    An identified chain gives ampere instead, times a unit's own factor. ``doubt`` is
    the standard deviation of the bare torque where the chain itself is uncertain.
    """

    bare: Mapping[str, Floats]
    per_kg: Mapping[str, Floats]
    source: str
    doubt: Mapping[str, Floats]
    noise: Mapping[str, Floats]
    """Standard deviation of the torque that the accelerations' noise gives."""
    per_moment: Mapping[str, Floats] = field(default_factory=dict)
    """(n, 3): what a kilogram's mass centre asks for that is a metre off along the tip's x, y, z;
    empty where that is not known."""
    mass_off_kg: Floats | None = None
    """(n,): by how much more than declared ``bare`` takes the payload to weigh."""
    link_drag: Mapping[str, Floats] = field(default_factory=dict)
    """Torque (n,) that a fluid would ask for, of links and of a payload of a kilogram, each for a
    factor of 1 that is learned (`replay.arm.fluid_drag`); empty where that is not known."""
    payload_drag: Mapping[str, Floats] = field(default_factory=dict)

    def drags(self, joint: str, payload_kg: Floats) -> tuple[Floats, Floats] | None:
        """Return what a fluid would ask of a joint for its links and for its payload, Nm."""
        if joint not in self.link_drag:
            return None
        face = np.maximum(np.nan_to_num(payload_kg), 0.0) ** FACE
        return self.link_drag[joint], self.payload_drag[joint] * face


def swing(torque_nm: Floats) -> Floats:
    """Return how much a torque changed within `SMOOTH` blocks: its running spread."""
    filled = np.nan_to_num(torque_nm)
    size = min(SMOOTH, len(filled))
    middle = uniform_filter1d(filled, size, mode="nearest")
    square = uniform_filter1d(filled**2, size, mode="nearest")
    out: Floats = np.sqrt(np.maximum(square - middle**2, 0))
    return out


def lasting(torque_nm: Floats) -> Floats:
    """Return a torque's mean over `SMOOTH` blocks: what stands, not what swings."""
    filled = np.nan_to_num(torque_nm)
    out: Floats = uniform_filter1d(filled, min(SMOOTH, len(filled)), mode="nearest")
    return out


def no_loads(blocks: SessionBlocks) -> Loads:
    """Return a load of nothing: what is said of an arm that nobody described."""
    nothing = {j: np.zeros(len(blocks)) for j in blocks.joints}
    return Loads(nothing, nothing, NONE, nothing, nothing)


def arm_file_loads(blocks: SessionBlocks) -> Loads | None:
    """Return the loads that the session's arm file gives; None without geometry or masses."""
    arm = arm_of(blocks.record)
    if arm is None or not has_masses(arm) or not len(blocks):
        return None
    names = arm.joint_names
    angle, rate, accel = (
        np.stack([getattr(blocks.joints[n], what) for n in names], axis=1)
        for what in ("angle_deg", "rate_deg_s", "accel_deg_s2")
    )
    if not np.isfinite(angle).any(axis=0).all():
        return None
    known = np.isfinite(angle).all(axis=1) & np.isfinite(rate).all(axis=1)
    known &= np.isfinite(accel).all(axis=1)
    bare = np.full((len(blocks), len(names)), np.nan)
    loaded = np.full_like(bare, np.nan)
    moment = np.zeros((len(blocks), len(names), 3))
    carrying = ~(np.nan_to_num(blocks.payload_kg, nan=1.0) <= 0)
    shaken = np.zeros_like(bare)
    waded = np.zeros((2, *bare.shape))
    sd = np.array([blocks.fineness[n].accel_noise_deg_s2 for n in names])
    draws = np.random.default_rng(0).standard_normal(bare.shape) * sd
    ends = blocks.base_end
    for code, end in enumerate(ENDS):
        rows = known & ((ends == code) if (ends >= 0).any() else np.full(len(ends), code == 0))
        if not rows.any():
            continue
        state = (angle[rows], rate[rows], accel[rows])
        bare[rows] = loads(arm, *state, base=end, payload_kg=0.0).torque_nm  # type: ignore[arg-type]
        loaded[rows] = loads(arm, *state, base=end, payload_kg=1.0).torque_nm  # type: ignore[arg-type]
        against = fluid_drag(arm, angle[rows], rate[rows], base=end)  # type: ignore[arg-type]
        waded[:, rows] = against.links_nm, against.payload_nm
        some = rows & carrying
        if some.any():
            moment[some] = moments_per_kg(arm, angle[some], rate[some], accel[some], end)  # type: ignore[arg-type]
        shaken[rows] = loads(
            arm,
            angle[rows],
            np.zeros_like(angle[rows]),
            draws[rows],
            base=end,  # type: ignore[arg-type]
            payload_kg=np.nan_to_num(blocks.payload_kg[rows]),
            gravity_m_s2=np.zeros(3),
        ).torque_nm
    zero = np.zeros(len(blocks))
    return Loads(
        {n: bare[:, k] for k, n in enumerate(names)},
        {n: loaded[:, k] - bare[:, k] for k, n in enumerate(names)},
        FROM_FILE,
        dict.fromkeys(names, zero),
        {n: running_rms(shaken[:, k]) for k, n in enumerate(names)},
        {n: moment[:, k] for k, n in enumerate(names)},
        link_drag={n: waded[0, :, k] for k, n in enumerate(names)},
        payload_drag={n: waded[1, :, k] for k, n in enumerate(names)},
    )


def moments_per_kg(arm: Arm, angle: Floats, rate: Floats, accel: Floats, end: End) -> Floats:
    """Return (n, joints, 3) Nm a kilogram and metre off; the rest of the arm cancels."""
    sides = []
    for axis in np.eye(3):
        both = [
            loads(
                replace(arm, payload_centre_m=tuple(np.array(arm.payload_centre_m) + way * axis)),
                angle,
                rate,
                accel,
                base=end,
                payload_kg=1.0,
            ).torque_nm
            for way in (0.5, -0.5)
        ]
        sides.append(both[0] - both[1])
    return np.stack(sides, axis=2)


def running_rms(values: Floats) -> Floats:
    """Return the root mean square over `SMOOTH` blocks around each."""
    square = np.nan_to_num(values) ** 2
    mean = uniform_filter1d(square, min(SMOOTH, len(values)), mode="nearest")
    out: Floats = np.sqrt(np.maximum(mean, 0))  # running sums may end just below nothing
    return out
