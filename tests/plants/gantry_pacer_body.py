"""The gantry pacer's body: where its joints and masses are, what they weigh and how they swing.

Masses are points: a boom's rod Simpson's three, exact for its second moment, a short body's one.
Everything is reckoned in end A's frame; with base B, gravity is laid along the tip's outward axis,
since every socket stands upright. Centripetal and Coriolis terms are left out: at 0.1 rad/s they
are some 3 N m of a thousand.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

Array = np.ndarray[Any, Any]

G = 9.81
JOINTS = ["A_ROLL", "A_YAW", "A_PITCH", "ELBOW", "B_PITCH", "B_YAW", "B_ROLL"]
AXES = np.array([2, 0, 1, 1, 1, 0, 2])
STEPS = np.array([0.22, 0.20, 0.20, 1.10, 1.10, 0.20, 0.20])
TIP_M, LOAD_M = 0.22, 0.16
MASS = np.array([7.0, 9.0, 10.0, 18.0, 18.0, 10.0, 9.0, 7.0])
"""Body 0 stands between end A and the first joint, body k beyond joint k."""
CENTRE = np.array([0.12, 0.10, 0.10, 0.50, 0.60, 0.10, 0.10, 0.10])
ASIDE = np.array([0.0, 0.01, 0.0, 0.03, 0.03, 0.0, -0.01, 0.0])
LENGTH = np.array([0.20, 0.18, 0.18, 1.00, 1.00, 0.18, 0.18, 0.20])
BOOMS = (3, 4)
OWNER = np.array([b for b in range(8) for _ in range(3 if b in BOOMS else 1)])
POINTS = len(OWNER) + 1


@dataclass
class Body:
    """One arm's true masses and where they sit, in each body's own frame."""

    mass: Array
    centre: Array
    aside: Array

    @cached_property
    def points(self) -> tuple[Array, Array]:
        """Return places in the bodies' frames and masses, three of a boom, one of the others."""
        place, mass = np.zeros((len(OWNER), 3)), self.mass[OWNER]
        place[:, 0], place[:, 2] = self.aside[OWNER], self.centre[OWNER]
        for b in BOOMS:
            own = b == OWNER
            place[own, 2] += np.array([-0.5, 0.0, 0.5]) * LENGTH[b]
            mass[own] *= [1 / 6, 2 / 3, 1 / 6]
        return place, mass


PLATE = Body(MASS, CENTRE, ASIDE)


def built(seed: int) -> Body:
    """Return the arm as it was built: not quite its plate."""
    g = np.random.default_rng([seed, 91])
    return Body(
        MASS * (1 + g.normal(0, 0.012, 8)),
        CENTRE + g.normal(0, 0.006, 8),
        ASIDE + g.normal(0, 0.003, 8),
    )


def plate_inertia(body: int) -> tuple[float, float, float]:
    """Return a plate's inertia about its centre: a rod with some girth."""
    rod, ring = MASS[body] * LENGTH[body] ** 2 / 12, MASS[body] * 0.08**2
    return float(rod + ring / 2), float(rod + ring / 2), float(ring)


@dataclass
class Needs:
    """What a posture asks: (n, 7) holding torque and (n, 7, 7) inertia, N m and kg m²."""

    weight: Array
    inertia: Array
    end: Array
    """(n, 3): where end B is."""
    out: Array
    """(n, 3): end B's outward axis, where down lies with base B."""
    push: Array
    """(n, 7, 3): torque at each joint by a unit force on the tip, to be held against."""


def frames(q: Array) -> tuple[list[Array], list[Array], list[Array], Array]:
    """Return each body's turn and place, the axes, and end B's place, in end A's frame."""
    n = len(q)
    turn = np.broadcast_to(np.eye(3), (n, 3, 3))
    here = np.zeros((n, 3))
    turns, places, axes = [turn], [here], []
    c, s = np.cos(q), np.sin(q)
    for k in range(7):
        here = here + turn[..., 2] * STEPS[k]
        a = AXES[k]
        one, two = (a + 1) % 3, (a + 2) % 3
        new = np.empty((n, 3, 3))
        ck, sk = c[:, k, None], s[:, k, None]
        new[..., a] = turn[..., a]
        new[..., one] = ck * turn[..., one] + sk * turn[..., two]
        new[..., two] = ck * turn[..., two] - sk * turn[..., one]
        axes.append(turn[..., a])
        turn = new
        turns.append(turn)
        places.append(here)
    return turns, places, axes, here + turn[..., 2] * TIP_M


def needs(q: Array, base_b: Array, load: Array, body: Body) -> Needs:
    """Return weights and inertias of n postures, from either base, with a load at the free end."""
    n = len(q)
    turns, places, axes, end = frames(q)
    local, mass = body.points
    at = np.empty((n, POINTS, 3))
    for b in range(8):
        own = np.flatnonzero(b == OWNER)
        at[:, own] = places[b][:, None] + local[own] @ turns[b].transpose(0, 2, 1)
    out = turns[7][..., 2]
    from_b = base_b[:, None]
    down = np.where(from_b, G * out, [0.0, 0.0, -G])
    tip = np.where(from_b, 0.0, end)
    at[:, -1] = np.where(from_b, [0.0, 0.0, -LOAD_M], end + LOAD_M * out)
    weigh = np.empty((n, POINTS))
    weigh[:, :-1], weigh[:, -1] = mass, load
    axis = np.stack(axes, axis=1)
    pivot = np.stack(places[1:], axis=1)
    moved = np.empty((7, POINTS), bool)
    moved[:, :-1], moved[:, -1] = np.arange(7)[:, None] < OWNER, True
    other = ~moved
    other[:, -1] = True
    side = np.where(base_b[:, None, None], -1.0 * other, 1.0 * moved)
    r = at[:, None] - pivot[:, :, None]
    swing = np.empty_like(r)
    for x, y, z in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
        swing[..., x] = axis[:, :, None, y] * r[..., z] - axis[:, :, None, z] * r[..., y]
    swing *= side[..., None]
    heavy = (swing * weigh[:, None, :, None]).reshape(n, 7, -1)
    weight = -(heavy.reshape(n, 7, POINTS, 3).sum(axis=2) @ down[:, :, None])[..., 0]
    inertia = heavy @ swing.reshape(n, 7, -1).transpose(0, 2, 1)
    sign = np.where(base_b, -1.0, 1.0)[:, None, None]
    push = -sign * np.cross(axis, tip[:, None] - pivot)
    return Needs(weight, inertia, end, out, push)
