"""Between motor current and torque at the joint's output.

    driving       tau_out = efficiency_drive * N * (Kt i - Im N qdd)
    driven back   tau_out = N * (Kt i - Im N qdd) / efficiency_backdrive

N is the gear ratio, Kt the torque constant, Im the rotor's inertia, qdd the
output's acceleration: the rotor's inertia is felt at the output N squared
times. The drive is *driving* when the torque at its output does work on the
arm, *driven back* when the arm does work on it. At rest friction may stand on
either side, and only a band can be given. (Gear efficiency by direction of
power: common practice, no source.)
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from replay.arm.description import Joint
from replay.arm.transforms import Array
from replay.errors import ArmFileError


def reflected_inertia_kg_m2(joint: Joint) -> float:
    """Return the rotor's inertia as felt at the joint's output; 0 where it is not given."""
    if joint.motor_inertia_kg_m2 is None or joint.gear_ratio is None:
        return 0.0
    return joint.motor_inertia_kg_m2 * joint.gear_ratio**2


def output_per_ampere_nm(joint: Joint) -> float:
    """Return the lossless output torque of 1 A, gear ratio times torque constant.

    Raises
    ------
    ArmFileError
        One of the two is not in the arm file.
    """
    for key in ("gear_ratio", "torque_constant_nm_a"):
        if getattr(joint, key) is None:
            raise ArmFileError(f"{key} is needed to turn torque into current", joint=joint.name)
    assert joint.gear_ratio is not None
    assert joint.torque_constant_nm_a is not None
    return joint.gear_ratio * joint.torque_constant_nm_a


def torque_from_current(
    joint: Joint, current_a: ArrayLike, rate_deg_s: ArrayLike, accel_deg_s2: ArrayLike = 0.0
) -> Array:
    """Return the output torque (Nm) of a motor current, the rotor's own share taken off.

    The losses are those of the direction in which power flows; at standstill they are left
    out, for friction may help or hinder.
    """
    rate = np.asarray(rate_deg_s, dtype=float)
    drive, back = _efficiencies(joint)
    rotor = reflected_inertia_kg_m2(joint) * np.radians(np.asarray(accel_deg_s2, dtype=float))
    lossless = np.asarray(current_a, dtype=float) * output_per_ampere_nm(joint) - rotor
    power = np.sign(lossless * rate)
    out: Array = lossless * np.where(power > 0, drive, np.where(power < 0, 1.0 / back, 1.0))
    return out


def available_torque_nm(joint: Joint) -> float | None:
    """Return the output torque at the current limit while driving; None where not known."""
    if None in (joint.current_limit_a, joint.gear_ratio, joint.torque_constant_nm_a):
        return None
    assert joint.current_limit_a is not None
    return joint.current_limit_a * output_per_ampere_nm(joint) * _efficiencies(joint)[0]


def _efficiencies(joint: Joint) -> tuple[float, float]:
    drive, back = joint.efficiency_drive, joint.efficiency_backdrive
    return (1.0 if drive is None else drive), (1.0 if back is None else back)
