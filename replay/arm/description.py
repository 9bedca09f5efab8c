"""The arm file: what an arm is made of, read from TOML and validated.

Everything but the joints' names is optional. What a missing value switches
off is listed by `switched_off`, never guessed.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Link:
    """The rigid body that a joint carries, in that joint's moving frame."""

    mass_kg: float
    centre_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    inertia_kg_m2: tuple[float, float, float, float, float, float] | None = None
    """Ixx Iyy Izz Ixy Ixz Iyz about the centre of mass; None: a point mass."""


@dataclass(frozen=True, slots=True)
class Joint:
    """One joint place of the arm and the unit that sits there."""

    name: str
    serial: str | None = None
    role_base_a: str | None = None
    role_base_b: str | None = None
    angle_range_deg: tuple[float, float] | None = None
    rate_limit_deg_s: float | None = None
    gear_ratio: float | None = None
    torque_constant_nm_a: float | None = None
    efficiency_drive: float | None = None
    efficiency_backdrive: float | None = None
    motor_inertia_kg_m2: float | None = None
    current_limit_a: float | None = None
    brake_torque_nm: float | None = None
    ripple_orders: tuple[float, ...] = ()
    """Cycles per joint revolution at which mesh or wave ripple is expected."""
    axis: tuple[float, float, float] | None = None
    """Turning axis in the joint's own frame."""
    from_previous: tuple[tuple[float, ...], ...] | None = None
    """4x4 transform from the previous joint's moving frame (or the end-A
    fixture) to this joint's frame at zero angle."""
    link: Link | None = None


@dataclass(frozen=True, slots=True)
class Arm:
    """An arm, joints in order from end A to end B."""

    name: str
    joints: tuple[Joint, ...]
    tip_from_last: tuple[tuple[float, ...], ...] | None = None
    """4x4 transform from the last joint's moving frame to the end-B tip."""
    base_link: Link | None = None
    """The body outboard of joint 1 at end A; it moves when end B is the base."""
    gravity_m_s2: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """In the base's frame: zero in orbit."""
    tip_speed_limit_m_s: dict[str, float] = field(default_factory=dict)
    """Keys ``bare``, ``payload``, ``person``."""
    payload_centre_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """Where a payload's mass centre sits, in the frame of the tip that carries
    it, z out of the arm."""
    payload_gyration_m: tuple[float, float, float] | None = None
    """Radii of gyration about that frame's axes; None: a point mass."""
    toml: str = ""
    """The text that was read, kept with every session."""

    @property
    def joint_names(self) -> tuple[str, ...]:
        """Names of the joints, end A first."""
        return tuple(j.name for j in self.joints)

    def joint(self, name: str) -> Joint:
        """Return the joint of that name; KeyError when there is none."""
        for j in self.joints:
            if j.name == name:
                return j
        raise KeyError(name)
