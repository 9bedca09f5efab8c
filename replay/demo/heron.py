"""Heron, the invented arm at Tarn Station: its geometry, bodies and arm file.

Seven joint units of one make, two equal ends: roll, yaw, pitch | pitch |
pitch, yaw, roll. Along the straight arm, z runs from end A to end B.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

NAME = "Heron"
JOINTS = 7
NAMES = tuple(f"J{n}" for n in range(1, JOINTS + 1))
FIRST_SERIALS = tuple(f"TU-{n}" for n in range(101, 101 + JOINTS))

GEAR_RATIO = 1842.0
TORQUE_CONSTANT_NM_A = 0.117
EFFICIENCY_DRIVE = 0.72
EFFICIENCY_BACKDRIVE = 0.55
MOTOR_INERTIA_KG_M2 = 6.0e-5
CURRENT_LIMIT_A = 9.0
BRAKE_TORQUE_NM = 1600.0
RATE_LIMIT_DEG_S = 4.0
RANGE_DEG = (-270.0, 270.0)
RIPPLE_ORDERS = (1.0, 40.0)
TIP_SPEED_LIMIT_M_S = {"bare": 0.6, "payload": 0.1, "person": 0.15}

BASE_BODY_KG = 45.0
"""The half unit between the fixture at end A and joint 1."""

PAYLOAD_OFFSET_M = 0.6
"""From the tip that grips it to a payload's centre."""

END_M = 0.5
"""Length of every short body: between fixture and joint, and inside an end."""


@dataclass(frozen=True, slots=True)
class Place:
    """One joint place; ``length_m`` and ``mass_kg`` are of the body it carries."""

    role_base_a: str
    role_base_b: str
    axis: str
    length_m: float
    mass_kg: float


PLACES = (
    Place("shoulder roll", "wrist roll", "z", 0.5, 85.0),
    Place("shoulder yaw", "wrist yaw", "x", 0.5, 85.0),
    Place("shoulder pitch", "wrist pitch", "y", 7.0, 210.0),
    Place("elbow pitch", "elbow pitch", "y", 7.0, 210.0),
    Place("wrist pitch", "shoulder pitch", "y", 0.5, 85.0),
    Place("wrist yaw", "shoulder yaw", "x", 0.5, 85.0),
    Place("wrist roll", "shoulder roll", "z", 0.5, 45.0),
)

_AXIS = {"x": "[1, 0, 0]", "y": "[0, 1, 0]", "z": "[0, 0, 1]"}


def arm_toml(serials: Sequence[str] = FIRST_SERIALS) -> str:
    """Return Heron's arm file with these seven joint units, end A first.

    Parameters
    ----------
    serials : sequence of str
        Serial numbers, as many as there are joints.
    """
    lines = [
        "# Heron at Tarn Station: an invented arm for an invented yard.",
        "[arm]",
        f'name = "{NAME}"',
        "gravity_m_s2 = [0.0, 0.0, 0.0]",
        'convention = "fixed"',
        "",
        "[arm.tip_speed_limit_m_s]",
        *(f"{case} = {limit}" for case, limit in TIP_SPEED_LIMIT_M_S.items()),
        "",
        "[arm.tip]",
        f"xyz_m = [0.0, 0.0, {PLACES[-1].length_m}]",
        "rpy_deg = [0.0, 0.0, 0.0]",
        "",
        "[arm.payload]",
        f"centre_m = [0.0, 0.0, {PAYLOAD_OFFSET_M}]",
        "",
        "[arm.base_link]",
        f"mass_kg = {BASE_BODY_KG}",
        f"centre_m = [0.0, 0.0, {END_M / 2}]",
        f"inertia_kg_m2 = {list(_rod(BASE_BODY_KG, END_M))}",
    ]
    before = END_M
    for name, serial, place in zip(NAMES, serials, PLACES, strict=True):
        lines += [
            "",
            "[[joints]]",
            f'name = "{name}"',
            f'serial = "{serial}"',
            f'role_base_a = "{place.role_base_a}"',
            f'role_base_b = "{place.role_base_b}"',
            f"angle_range_deg = [{RANGE_DEG[0]}, {RANGE_DEG[1]}]",
            f"rate_limit_deg_s = {RATE_LIMIT_DEG_S}",
            f"gear_ratio = {GEAR_RATIO}",
            f"torque_constant_nm_a = {TORQUE_CONSTANT_NM_A}",
            f"efficiency_drive = {EFFICIENCY_DRIVE}",
            f"efficiency_backdrive = {EFFICIENCY_BACKDRIVE}",
            f"motor_inertia_kg_m2 = {MOTOR_INERTIA_KG_M2}",
            f"current_limit_a = {CURRENT_LIMIT_A}",
            f"brake_torque_nm = {BRAKE_TORQUE_NM}",
            f"ripple_orders = [{', '.join(str(o) for o in RIPPLE_ORDERS)}]",
            "[joints.geometry]",
            f"xyz_m = [0.0, 0.0, {before}]",
            "rpy_deg = [0.0, 0.0, 0.0]",
            f"axis = {_AXIS[place.axis]}",
            "[joints.link]",
            f"mass_kg = {place.mass_kg}",
            f"centre_m = [0.0, 0.0, {place.length_m / 2}]",
            f"inertia_kg_m2 = {list(_rod(place.mass_kg, place.length_m))}",
        ]
        before = place.length_m
    return "\n".join(lines) + "\n"


def _rod(mass_kg: float, length_m: float) -> tuple[float, ...]:
    radius_m = 0.18
    across = mass_kg * (length_m**2 / 12 + radius_m**2 / 4)
    return (round(across, 3), round(across, 3), round(mass_kg * radius_m**2 / 2, 3), 0.0, 0.0, 0.0)
