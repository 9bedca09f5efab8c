"""The basin keeper's body in the water: masses, weights, drag, from whichever end is plugged in.

Every link is a set of mass points plus an equal-sided rotary inertia; a tube's three Gauss points
carry its mass exactly to the second moment. All sessions of a campaign are stepped together.
The chain is counted from the base: because the arm's lengths and axes read the same from both
ends, base B is the mirrored arm with the angles of `TURNED` (outer sweeps change sign).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

NAMES = ("sweep1", "lift1", "twist1", "bend", "twist2", "lift2", "sweep2")
AXES = (0, 1, 2, 1, 2, 1, 0)
LENGTHS_M = (0.25, 0.20, 0.25, 1.60, 1.60, 0.25, 0.20, 0.25)
"""Bodies 0 to 7, from end A to end B; joint k turns body k + 1 against body k."""
MASSES_KG = (13.0, 15.0, 17.0, 40.0, 40.0, 17.0, 15.0, 13.0)
"""Moving mass in water: the metal and the water that it takes along."""
ROTARY_KG_M2 = (0.30, 0.35, 0.40, 0.60, 0.60, 0.40, 0.35, 0.30)
WET_GRAVITY_M_S2 = 1.25
"""What is left of the weight under water, by moving mass."""
PAYLOAD_CENTRE_M = 0.35
TURNED = np.array([-1.0, 1.0, 1.0, 1.0, 1.0, 1.0, -1.0])

_GAUSS = ((0.5 - np.sqrt(0.15), 5 / 18), (0.5, 8 / 18), (0.5 + np.sqrt(0.15), 5 / 18))
POINTS = tuple(
    (body, share, part)
    for body in range(1, 8)
    for share, part in (_GAUSS if body in (3, 4) else ((0.5, 1.0),))
)
"""(body from the base, place along it, part of its mass); the payload comes after them."""
_COUNT = len(POINTS) + 1
_BODY_OF = np.array([b for b, _, _ in POINTS] + [7])
_MOVED_BY = (np.arange(7)[None, :] < _BODY_OF[:, None]).astype(float)
_DRAG = np.array([150.0 * part if b in (3, 4) else 30.0 for b, _, part in POINTS])


@dataclass
class Bodies:
    """S arms: mass points, weights and water, in base order."""

    local_m: Array  # (3, S, P)
    mass_kg: Array  # (S, P)
    weight_n: Array  # (S, P)
    drag: Array  # (S, P), N s2/m2
    rotary: Array  # (S, 7): of all bodies from joint k outward
    rotor: Array  # (S, 7)

    def placed(self, q: Array) -> tuple[Array, Array, Array, Array]:
        """Return the points' Jacobian (3, S, P, 7), joint axes and places (3, S, 7), directions.

        The last are those of the links, (3, S, P), for each point.
        """
        s = len(q)
        turn = [np.zeros((3, s)) for _ in range(3)]
        for a in range(3):
            turn[a][a] = 1.0
        place = np.zeros((3, s))
        place[2] = LENGTHS_M[0]
        axes, origin = np.empty((3, s, 7)), np.empty((3, s, 7))
        body_turn, body_place = np.empty((3, 3, s, 7)), np.empty((3, s, 7))
        cos, sin = np.cos(q), np.sin(q)
        for k, axis in enumerate(AXES):
            axes[:, :, k], origin[:, :, k] = turn[axis], place
            one, two = turn[(axis + 1) % 3], turn[(axis + 2) % 3]
            c, d = cos[:, k], sin[:, k]
            turn[(axis + 1) % 3], turn[(axis + 2) % 3] = c * one + d * two, c * two - d * one
            for a in range(3):
                body_turn[a, :, :, k] = turn[a]
            body_place[:, :, k] = place
            place = place + LENGTHS_M[k + 1] * turn[2]
        there = body_turn[..., _BODY_OF - 1]
        along = there[2]
        point = body_place[..., _BODY_OF - 1] + (there * self.local_m[:, None]).sum(0)
        arm = point[:, :, :, None] - origin[:, :, None, :]
        by = axes[:, :, None, :] * _MOVED_BY
        jac = np.empty_like(arm)
        jac[0] = by[1] * arm[2] - by[2] * arm[1]
        jac[1] = by[2] * arm[0] - by[0] * arm[2]
        jac[2] = by[0] * arm[1] - by[1] * arm[0]
        return jac, axes, origin, along

    def mass_matrix(self, jac: Array, axes: Array) -> Array:
        """Return (S, 7, 7), rotors included."""
        s = jac.shape[1]
        rows = jac.transpose(1, 0, 2, 3).reshape(s, 3 * _COUNT, 7)
        weighed = rows * np.tile(self.mass_kg, (1, 3))[:, :, None]
        out = rows.transpose(0, 2, 1) @ weighed
        outer = np.maximum(np.arange(7)[:, None], np.arange(7)[None, :])
        z = axes.transpose(1, 2, 0)
        out += self.rotary[:, outer] * (z @ z.transpose(0, 2, 1))
        out[:, np.arange(7), np.arange(7)] += self.rotor
        return np.asarray(out)

    def pull(
        self, jac: Array, along: Array, before: Array, rate: Array, step_s: float, water: Array
    ) -> Array:
        """Return the joint torques (S, 7) of weight, drag and turning frames.

        ``before`` is the Jacobian one step ago, ``water`` (3, S) the water's own speed.
        """
        speed = (jac * rate[None, :, None, :]).sum(-1)
        turned = ((jac - before) * (rate / step_s)[None, :, None, :]).sum(-1)
        through = speed - water[:, :, None]
        lengthwise = (through * along).sum(0)
        lengthwise[:, -1] *= 0.2  # what is carried is no tube
        across = through - lengthwise * along
        force = -self.drag * np.sqrt((across**2).sum(0)) * across - self.mass_kg * turned
        force[0] -= self.weight_n
        return np.asarray((jac * force[:, :, :, None]).sum((0, 2)))


def bodies(
    rng: np.random.Generator,
    base_b: NDArray[np.bool_],
    rotor: Array,
    silt: Array,
    model_error: float = 1.0,
) -> Bodies:
    """Return the true arm as S sessions have it: a few per cent off its own arm file.

    Parameters
    ----------
    rng : Generator
        Of the arm, not of a session: the same hardware in all of them.
    base_b : (S,)
        Whether end B is the base.
    rotor : (S, 7)
        Reflected rotor inertia in base order.
    silt : (S,)
        Silt and trapped air of the session, as a part of the weight.
    model_error : float
        Factor on how far the arm is off its file; 0 is the arm as the file has it.
    """
    s = len(base_b)
    off = 1 + model_error * 0.03 * rng.standard_normal(8)
    floats = 1 + model_error * 0.04 * rng.standard_normal((8, 3))
    shift = model_error * 0.008 * rng.standard_normal((2, 8))
    local, mass = np.zeros((3, s, _COUNT)), np.zeros((s, _COUNT))
    weight, drag = np.zeros((s, _COUNT)), np.zeros((s, _COUNT))
    drag[:, :-1] = _DRAG * (1 + 0.1 * rng.standard_normal(len(_DRAG)))
    for n, (body, share, part) in enumerate(POINTS):
        here = np.where(base_b, 7 - body, body)  # body from end A
        third = (n - 2) % 3 if body in (3, 4) else 0
        local[0, :, n] = shift[0, here]
        local[1, :, n] = shift[1, here] * np.where(base_b, -1, 1)
        local[2, :, n] = share * LENGTHS_M[body]
        mass[:, n] = np.array(MASSES_KG)[here] * off[here] * part
        weight[:, n] = mass[:, n] * floats[here, np.where(base_b, 2 - third, third)]
        weight[:, n] *= WET_GRAVITY_M_S2 * (1 + silt)
    local[2, :, -1] = LENGTHS_M[7] + PAYLOAD_CENTRE_M
    rotary = np.array(ROTARY_KG_M2)[::-1].cumsum()[::-1][1:]
    return Bodies(local, mass, weight, drag, np.tile(rotary, (s, 1)), rotor)


def link_inertia(body: int) -> tuple[float, float, float]:
    """Return the principal moments about the centre that the arm file states for a link."""
    bar = MASSES_KG[body] * LENGTHS_M[body] ** 2 / 12 if body in (3, 4) else 0.0
    return bar + ROTARY_KG_M2[body], bar + ROTARY_KG_M2[body], ROTARY_KG_M2[body]
