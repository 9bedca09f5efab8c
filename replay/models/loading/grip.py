"""Where a payload's mass centre is: not where it is drawn, and elsewhere each time it is taken up.

What is carried is gripped as it lies: its mass centre is off by some centimetres, the same for as
long as it is carried. Torque is linear in a body's first moments (Atkeson, An & Hollerbach, IJRR
5, 1986), so that three metres an axis of the tip explain what all joints show of it together.
They are estimated within the session, drawn to nothing by what training's carries were off by
(best linear prediction: Henderson, Biometrics 31, 1975), and what is left of their doubt stays
doubt. The mass is free meanwhile: a wrong load must not pass for a wrong grip.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from replay.models.loading.grip_spread import Spread
from replay.models.loading.loads import Loads
from replay.models.loading.payload import COLOUR, Payloads
from replay.models.residuals import Floats, Residual
from replay.settings import setting

SHORTEST = 50
"""Blocks of a carry that tell anything."""

MOST_SD = 3.0
"""A grip is taken for no further off than this many standard deviations."""

WORST = 1e8
"""Condition of normal equations that tell nothing of one axis."""

MASS_SHARE = 1.0
"""Standard deviation of the share that a mass may be wrong by while grips are estimated."""

AGREED, SURE = 3.0, 5.0
"""Standard deviations that a wrong mass is off by to each set of all joints but one, and to all."""


@dataclass(frozen=True, slots=True)
class Carry:
    """One payload from when it is taken up until it is put down: blocks ``first`` to ``stop``."""

    first: int
    stop: int
    kg: float


@dataclass(frozen=True, slots=True)
class Witness:
    """One joint's say: residual in ampere, and ampere per newton metre."""

    joint: str
    residual: Residual
    torque_a: float


def carries(payload: Payloads) -> list[Carry]:
    """Return the stretches in which one mass was carried."""
    mass = payload.mass_kg
    if not len(mass):
        return []
    edges = np.flatnonzero(np.diff(mass) != 0) + 1
    bounds = [0, *edges.tolist(), len(mass)]
    return [
        Carry(a, b, float(mass[a]))
        for a, b in pairwise(bounds)
        if mass[a] > 0 and b - a >= SHORTEST
    ]


@dataclass(frozen=True, slots=True)
class Said:
    """What a carry's residuals say: normal equations of three metres and the mass's share."""

    curve: Floats
    slope: Floats
    parts: tuple[tuple[Floats, Floats], ...]
    """The same of each joint; they add up."""

    def alone(self) -> tuple[Floats, Floats] | None:
        """Return what fits best, (4,), and its covariance (4, 4); None where too little tells."""
        curve = self.curve + np.diag([0.0, 0.0, 0.0, MASS_SHARE**-2.0])
        if np.linalg.cond(curve) > WORST:
            return None
        turned = np.asarray(np.linalg.inv(curve), dtype=np.float64)
        return turned @ self.slope, turned

    def wrong_mass(self, spread: Spread) -> bool:
        """Tell whether the declared mass does not fit, whichever joint is left out."""
        least = spread.whole_m if np.isfinite(spread.whole_m) else 1.0
        prior = np.diag([_stiff(least)] * 3 + [MASS_SHARE**-2.0])
        shares = []
        nobody = (np.zeros((4, 4)), np.zeros(4))
        for curve, slope in (nobody, *self.parts):
            turned = np.linalg.inv(self.curve - curve + prior)
            share = float((turned @ (self.slope - slope))[3])
            shares.append(share / float(np.hypot(np.sqrt(turned[3, 3]), spread.mass_share)))
        same = min(shares) > AGREED or max(shares) < -AGREED
        return same and abs(shares[0]) > SURE


def said(
    carry: Carry, witnesses: Sequence[Witness], loads: Loads, where: Floats | None = None
) -> Said | None:
    """Return what joints say of a carry together; ``where`` (4,) is what was thought so far."""
    parts: list[tuple[Floats, Floats]] = []
    best = np.zeros(4) if where is None else where
    part = slice(carry.first, carry.stop)
    for one in witnesses:
        ok = one.residual.ok[part] & np.isfinite(one.residual.value[part])
        if not ok.any() or one.torque_a == 0 or one.joint not in loads.per_moment:
            continue
        moment = loads.per_moment[one.joint][part][ok]
        per_kg = np.nan_to_num(loads.per_kg[one.joint][part][ok])
        x = one.torque_a * carry.kg * np.column_stack([moment, per_kg])
        spread = one.residual.variance[part][ok] + one.residual.doubt_a[part][ok] ** 2
        y = one.residual.value[part][ok]
        known = np.isfinite(x).all(axis=1) & np.isfinite(spread) & (spread > 0)
        x, y, spread = x[known], y[known], spread[known]
        far = (y - x @ best) / np.sqrt(spread) / setting("robust_cut")
        weighed = (x / (spread * (1.0 + far**2) * COLOUR)[:, None]).T
        parts.append((weighed @ x, weighed @ y))
    if not parts:
        return None
    curve = np.sum([c for c, _ in parts], axis=0)
    return Said(curve, np.sum([s for _, s in parts], axis=0), tuple(parts))


def offsets(
    carried: Sequence[Carry], witnesses: Sequence[Witness], loads: Loads, spread: Spread
) -> list[tuple[Floats, Floats]]:
    """Return each carry's offset and share of mass, (4,), and their covariance, of one session.

    What the session's carries have in common and what each has of its own are unknowns of one
    system, each drawn to nothing by its spread; a mass that all joints say is wrong is free.
    """
    count = len(carried)
    found = np.zeros((count, 4))
    covariance = np.zeros((count, 4, 4))
    free = [False] * count
    for turn in range(4):
        told = [said(c, witnesses, loads, w) for c, w in zip(carried, found, strict=True)]
        if turn:
            free = [t is not None and t.wrong_mass(spread) for t in told]
        size = 3 + 4 * count
        curve, slope = np.zeros((size, size)), np.zeros(size)
        curve[:3, :3] = np.eye(3) * _stiff(spread.session_m)
        for k, one in enumerate(told):
            own = slice(3 + 4 * k, 7 + 4 * k)
            share = MASS_SHARE if free[k] or not turn else spread.mass_share
            curve[own, own] = np.diag([_stiff(spread.carry_m)] * 3 + [_stiff(share)])
            if one is None:
                continue
            curve[own, own] += one.curve
            slope[own] = one.slope
            curve[:3, :3] += one.curve[:3, :3]
            curve[:3, own] = one.curve[:3]
            curve[own, :3] = one.curve[:3].T
            slope[:3] += one.slope[:3]
        turned = np.linalg.inv(curve)
        every = turned @ slope
        for k in range(count):
            own = slice(3 + 4 * k, 7 + 4 * k)
            found[k] = every[own]
            found[k, :3] += every[:3]
            covariance[k] = turned[own, own]
            covariance[k, :3] += turned[:3, own]
            covariance[k, :, :3] += turned[own, :3]
            covariance[k, :3, :3] += turned[:3, :3]
    return list(zip(found, covariance, strict=True))


def _stiff(sd_m: float) -> float:
    return float(max(sd_m, 1e-6) ** -2.0)


def gripped(loads: Loads, payload: Payloads, witnesses: Sequence[Witness], spread: Spread) -> Loads:
    """Return the loads with every carry's mass centre where the session says it was."""
    carried = carries(payload)
    if not spread.known or not loads.per_moment or not carried:
        return loads
    bare = {j: v.copy() for j, v in loads.bare.items()}
    doubt = {j: v.copy() for j, v in loads.doubt.items()}
    mass_off = np.zeros(len(payload.mass_kg))
    most = np.array([MOST_SD * spread.whole_m] * 3 + [np.inf])
    found = offsets(carried, witnesses, loads, spread)
    for carry, (off, covariance) in zip(carried, found, strict=True):
        part = slice(carry.first, carry.stop)
        where = np.clip(off, -most, most)
        mass_off[part] = carry.kg * where[3]
        for joint, moment in loads.per_moment.items():
            per_kg = np.nan_to_num(loads.per_kg[joint][part])
            each = carry.kg * np.column_stack([moment[part], per_kg])
            bare[joint][part] += each @ where
            unsure = np.einsum("ij,jk,ik->i", each, covariance, each)
            doubt[joint][part] = np.sqrt(doubt[joint][part] ** 2 + unsure)
    return replace(loads, bare=bare, doubt=doubt, mass_off_kg=mass_off)
