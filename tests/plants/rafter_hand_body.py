"""The rafter hand's rigid body: seven joints hung from the rafters of a hall on earth.

Invented. Rolls (about z) and pitches (about y) alternate, lengths are the same from either
end, masses nearly so, and either flange may be the one that hangs in a rafter socket. Base
frame: z out of the socket into the arm, so gravity points along +z. All arrays are
(sessions, ...), joints and bodies counted from the base of the session.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

NAMES = ("slew", "luff", "twist", "bend", "swivel", "nod", "spin")
PITCH = np.array([False, True, False, True, False, True, False])
GRAVITY_M_S2 = 9.81
STEPS_M = np.array([0.25, 0.30, 0.55, 0.75, 0.75, 0.55, 0.30, 0.25])
"""From socket A to the first axis, axis to axis, last axis to socket B."""
MASS_KG = np.array([8.0, 11.6, 13.4, 11.2, 10.8, 13.9, 11.9, 8.3])
"""Bodies from end A; body k is outboard of joint k, body 0 before joint 1."""
CENTRE_M = np.array([
    [0.000, 0.004, 0.130], [0.012, -0.006, 0.155], [-0.018, 0.010, 0.260], [0.014, 0.012, 0.370],
    [-0.010, 0.015, 0.385], [0.016, -0.008, 0.280], [-0.012, 0.005, 0.145], [0.003, 0.000, 0.120],
])  # fmt: skip
"""In the frame at the body's own joint (body 0: at the socket), arm along z."""
GYRATION_M = np.array([
    [0.13, 0.13, 0.12], [0.14, 0.14, 0.11], [0.20, 0.20, 0.11], [0.25, 0.25, 0.10],
    [0.25, 0.25, 0.10], [0.20, 0.20, 0.11], [0.14, 0.14, 0.11], [0.13, 0.13, 0.12],
])  # fmt: skip
PAYLOAD_CENTRE_M = np.array([0.02, 0.0, 0.16])
"""In the tip's frame, z out of the arm."""
PAYLOAD_GYRATION_M = 0.12
BODIES = 8
CARRIED = np.tril(np.ones((BODIES, 7)))
"""Which joints move which body (the payload is the eighth)."""


def cross(a: Array, b: Array) -> Array:
    """Return a x b over the last axis (numpy's own is slow on small arrays)."""
    out = np.empty(np.broadcast_shapes(a.shape, b.shape))
    out[..., 0] = a[..., 1] * b[..., 2] - a[..., 2] * b[..., 1]
    out[..., 1] = a[..., 2] * b[..., 0] - a[..., 0] * b[..., 2]
    out[..., 2] = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return out


class Bodies:
    """Mass matrix and bias torques of many arms at once."""

    def __init__(self, base_b: NDArray[np.bool_]) -> None:
        """Lay the bodies out from the base; seen from B the frames are turned half about x."""
        count = len(base_b)
        from_b = np.column_stack([
            CENTRE_M[6::-1, 0], -CENTRE_M[6::-1, 1], STEPS_M[6::-1] - CENTRE_M[6::-1, 2],
        ])  # fmt: skip
        self.steps = STEPS_M  # the same from either end
        self.mass = np.zeros((count, BODIES))
        self.local = np.zeros((count, BODIES, 3))
        self.gyration = np.full((count, BODIES, 3), PAYLOAD_GYRATION_M)
        pick = base_b[:, None]
        self.mass[:, :7] = np.where(pick, MASS_KG[6::-1], MASS_KG[1:])
        self.local[:, :7] = np.where(pick[:, :, None], from_b, CENTRE_M[1:])
        self.gyration[:, :7] = np.where(pick[:, :, None], GYRATION_M[6::-1], GYRATION_M[1:])
        self.local[:, 7] = PAYLOAD_CENTRE_M + np.array([0.0, 0.0, STEPS_M[7]])
        self.gravity = np.array([0.0, 0.0, GRAVITY_M_S2])
        self.load(np.zeros(count))

    def load(self, payload_kg: Array) -> None:
        """Hang payloads on the tips."""
        self.mass[:, 7] = payload_kg
        self.root = np.sqrt(self.mass)[:, :, None]
        self.root_turn = self.root * self.gyration

    def place(self, q: Array) -> None:
        """Compute where everything is."""
        count = len(q)
        c, s = np.cos(q)[:, :, None], np.sin(q)[:, :, None]
        x, y, z = (np.broadcast_to(e, (count, 3)) for e in np.eye(3))
        self.axes, self.at = np.empty((count, 7, 3)), np.empty((count, 7, 3))
        self.turn = np.empty((count, BODIES, 3, 3))
        now = self.steps[0] * z
        for k in range(7):
            self.at[:, k] = now
            if PITCH[k]:
                self.axes[:, k] = y
                x, z = c[:, k] * x - s[:, k] * z, s[:, k] * x + c[:, k] * z
            else:
                self.axes[:, k] = z
                x, y = c[:, k] * x + s[:, k] * y, c[:, k] * y - s[:, k] * x
            self.turn[:, k, :, 0], self.turn[:, k, :, 1], self.turn[:, k, :, 2] = x, y, z
            now = now + self.steps[k + 1] * z
        self.turn[:, 7] = self.turn[:, 6]
        self.arm = (self.turn @ self.local[..., None])[..., 0]
        self.centre = self.arm + self.at[:, [0, 1, 2, 3, 4, 5, 6, 6]]
        reach = self.centre[:, :, None] - self.at[:, None]
        self.jac = cross(self.axes[:, None], reach) * CARRIED[:, :, None]
        spun = self.axes[:, None] * CARRIED[:, :, None]
        own = spun @ self.turn
        self.stack = np.concatenate([
            (self.jac * self.root[:, :, None]).transpose(0, 1, 3, 2).reshape(count, 24, 7),
            (own * self.root_turn[:, :, None]).transpose(0, 1, 3, 2).reshape(count, 24, 7),
        ], axis=1)  # fmt: skip

    def mass_matrix(self) -> Array:
        """Return (sessions, 7, 7), as placed."""
        out: Array = self.stack.transpose(0, 2, 1) @ self.stack
        return out

    def hold(self) -> tuple[Array, Array]:
        """Return what holds the links against gravity, and each kg of payload."""
        pull = -(self.jac @ self.gravity)
        links = (pull[:, :7] * self.mass[:, :7, None]).sum(axis=1)
        return links, pull[:, 7]

    def bias(self, v: Array) -> Array:
        """Return the torque that the motion needs without acceleration: gravity and turning."""
        each = self.axes * v[:, :, None]
        spin = np.cumsum(each, axis=1)
        spin_dot = np.cumsum(cross(spin - each, each), axis=1)
        d = self.at[:, 1:] - self.at[:, :-1]
        swing = cross(spin_dot[:, :6], d) + cross(spin[:, :6], cross(spin[:, :6], d))
        lift = np.zeros_like(self.at)
        lift[:, 1:] = np.cumsum(swing, axis=1)
        of = [0, 1, 2, 3, 4, 5, 6, 6]
        spin, spin_dot, lift = spin[:, of], spin_dot[:, of], lift[:, of]
        accel = lift + cross(spin_dot, self.arm) + cross(spin, cross(spin, self.arm)) - self.gravity
        w = (spin[:, :, None] @ self.turn)[:, :, 0]
        w_dot = (spin_dot[:, :, None] @ self.turn)[:, :, 0]
        square = self.gyration**2
        moment = (square * w_dot + cross(w, square * w)) / self.gyration
        push = np.concatenate([accel * self.root, moment * self.root], axis=1)
        out: Array = (push.reshape(len(v), 1, 48) @ self.stack)[:, 0]
        return out

    def energy(self, v: Array) -> Array:
        """Return kinetic and potential energy, as placed."""
        kinetic = 0.5 * np.einsum("si,sij,sj->s", v, self.mass_matrix(), v)
        out: Array = kinetic - (self.mass * (self.centre @ self.gravity)).sum(axis=1)
        return out


def link_tables(error: float) -> list[str]:
    """Return the lines of the arm file that state geometry and masses; error 0 is the truth."""
    rng = np.random.default_rng(41)
    out = []
    for k in range(8):
        mass = MASS_KG[k] * (1 + error * 0.025 * rng.standard_normal())
        centre = CENTRE_M[k] + error * 0.006 * rng.standard_normal(3)
        square = GYRATION_M[k] ** 2 * (1 + error * 0.08 * rng.standard_normal())
        six = [*(mass * square), 0.0, 0.0, 0.0]
        said = (
            f"mass_kg = {mass:.{2 if error else 6}f}\ncentre_m = {np.round(centre, 3).tolist()}\n"
            f"inertia_kg_m2 = {np.round(six, 3 if error else 9).tolist()}\n"
        )
        axis = "[0, 1, 0]" if k and PITCH[k - 1] else "[0, 0, 1]"
        place = f"[joints.geometry]\nxyz_m = [0.0, 0.0, {STEPS_M[k - 1]}]\naxis = {axis}\n"
        out.append("[arm.base_link]\n" + said if k == 0 else place + "[joints.link]\n" + said)
    return out


def head(error: float) -> str:
    """Return the arm file's head."""
    centre = (PAYLOAD_CENTRE_M + error * np.array([0.005, 0.0, -0.01])).round(3).tolist()
    return (
        f'[arm]\nname = "Rafter hand"\ngravity_m_s2 = [0.0, 0.0, {GRAVITY_M_S2}]\n'
        f'convention = "fixed"\n[arm.tip]\nxyz_m = [0.0, 0.0, {STEPS_M[7]}]\n'
        f"[arm.payload]\ncentre_m = {centre}\ngyration_m = {[PAYLOAD_GYRATION_M] * 3}\n"
    )
