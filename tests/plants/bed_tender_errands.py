"""The bed tender's days: errands of a session, and where in them a fault has its chance.

An errand moves some joints and leaves the others in their brakes. A fault's joint and
instant are drawn among those where the planned work makes it act: motion for friction,
a loaded joint in its brake for a slip, a creeping one for stick-slip. Its size is one
of three and is drawn from nothing else.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tests.plants.bed_tender_body import STOUT, Array, Bodies, built, holding
from tests.plants.bed_tender_drive import (
    COULOMB,
    DEG,
    FILM,
    FILM_SPEED,
    KV,
    PER_AMPERE,
    STICK_SPEED,
    TICK,
    Fault,
    Plan,
)

COUNT = 2 * np.pi / 65536
"""The output encoder's step, rad."""
SIZES: dict[str, tuple[str, tuple[float, float, float]]] = {
    "friction-step": ("friction", (0.6, 0.3, 0.15)),
    "friction-growth": ("friction", (0.9, 0.45, 0.22)),
    "brake-drag": ("brake-drag", (0.7, 0.35, 0.17)),
    "brake-slip": ("brake-slip", (2.0 * DEG, 0.3 * DEG, 8 * COUNT)),
    "late-release": ("late-release", (1.0, 0.45, 0.2)),
    "late-release-lying": ("late-release", (1.7, 1.0, 0.6)),
    "stick-slip": ("stick-slip", (1.2, 0.7, 0.45)),
    "blocked-motion": ("stall", (7.0, 4.0, 2.0)),
    "current-offset": ("current-sensor", (0.6, 0.25, 0.1)),
    "current-gain": ("current-sensor", (0.4, 0.2, 0.1)),
    "angle-jump": ("angle-sensor", (50 * COUNT, 15 * COUNT, 5 * COUNT)),
    "angle-stuck": ("angle-sensor", (8.0, 3.5, 1.5)),
    "wrong-load": ("load", (12.0, 7.0, 4.0)),
}
"""Kind, and the amounts of large, middling, small; units in `tests.plants.bed_tender`."""
WORDS = ("parked", "reach", "inch", "swing", "wait", "tray")
PARKED, REACH, INCH, SWING, WAIT, TRAY = range(6)
HOME = np.array([0, 35, 0, 75, 0, 55, 0]) * DEG
ROOM = np.array([70, 30, 40, 35, 60, 45, 100]) * DEG
FASTEST = np.where(STOUT, 8.0, 12.0) * DEG
LEAD, SETTLE = 6, 10
"""Ticks from the word to the brake to the first motion; from the last to the next word."""

HANDOVER = 40
"""Ticks in which a tray's weight comes on or off."""


class _Day:
    """Lays errands one after another; joints count from the base."""

    def __init__(self, rng: np.random.Generator, ticks: int) -> None:
        self.rng, self.ticks, self.at = rng, ticks, 0
        self.rate, self.release = np.zeros((ticks, 7)), np.zeros((ticks, 7), bool)
        self.load, self.listed = np.zeros(ticks), np.zeros(ticks)
        self.errand = np.full(ticks, PARKED)
        self.free = np.zeros(7, bool)
        self.now = HOME + ROOM * rng.uniform(-0.8, 0.8, 7)
        self.start = self.now.copy()
        self.trays(0.5)

    def trays(self, chance: float) -> None:
        """Put a tray on the tip from now on, or take it off."""
        r, has = self.rng, self.load[self.at] > 0
        if r.random() < chance:
            kg = r.uniform(6, 38) if not has or r.random() < 0.25 else 0.0
            rise = np.clip(np.arange(self.ticks - self.at) / HANDOVER, 0, 1) if self.at else 1.0
            self.load[self.at :] = self.load[self.at] + rise * (kg - self.load[self.at])
            self.listed[self.at :] = round(max(kg + r.normal(0, 0.15), 0.1), 1) if kg else 0.0

    def spend(self, ticks: int, errand: int) -> None:
        """Let time pass as the brakes are."""
        end = min(self.at + ticks, self.ticks)
        self.release[self.at : end] = self.free
        self.errand[self.at : end] = errand
        self.at = end

    def move(self, far: Array, seconds: float, blend_s: float, errand: int) -> bool:
        """Move by ``far`` (7,); say whether the day had room for it."""
        need, blend = round(seconds / TICK), round(blend_s / TICK)
        if self.at + need + LEAD + SETTLE + 400 > self.ticks:
            return False
        self.free = far != 0
        self.spend(LEAD, errand)
        ramp = (1 - np.cos(np.pi * (np.arange(blend) + 0.5) / blend)) / 2
        shape = np.concatenate([ramp, np.ones(need - 2 * blend), ramp[::-1]])
        part = slice(self.at, self.at + need)
        self.rate[part] = shape[:, None] * (far / (shape.sum() * TICK))
        self.spend(need, errand)
        self.now = self.now + far
        self.spend(SETTLE, errand)
        return True

    def some(self, least: int, most: int) -> NDArray[np.bool_]:
        """Draw which joints take part."""
        chosen = np.zeros(7, bool)
        chosen[self.rng.permutation(7)[: self.rng.integers(least, most + 1)]] = True
        return chosen

    def target(self, part: NDArray[np.bool_]) -> Array:
        """Return a way to somewhere else, at least 4 deg for each joint that takes part."""
        while True:
            far = HOME + ROOM * self.rng.uniform(-1, 1, 7) - self.now
            if np.abs(far[part]).min() > 4 * DEG:
                return np.where(part, far, 0.0)

    def go(self) -> None:
        """Fill the day."""
        r = self.rng
        self.spend(round(r.uniform(15, 35) / TICK), PARKED)
        going = True
        while going:
            errand = r.choice([REACH, INCH, SWING, WAIT, TRAY], p=[0.36, 0.2, 0.15, 0.1, 0.19])
            if errand == REACH:
                far = self.target(self.some(2, 7))
                need = float(np.max(np.abs(far) / FASTEST)) * r.uniform(1.1, 2.2) + 1.6
                going = self.move(far, need, 0.8, REACH)
            elif errand == INCH:
                speed = np.where(self.some(1, 3), r.uniform(0.15, 0.55, 7) * DEG, 0.0)
                seconds = r.uniform(12, 32)
                side = np.where(r.random(7) < 0.5 - 0.4 * (self.now - HOME) / ROOM, 1.0, -1.0)
                going = self.move(side * speed * seconds, seconds, 0.4, INCH)
            elif errand == SWING:
                far = self.target(self.some(1, 1))
                need = float(np.max(np.abs(far) / FASTEST)) * r.uniform(1.0, 3.0) + 1.6
                going = self.move(far, need, 0.8, SWING)
                self.spend(round(r.uniform(1, 4) / TICK), SWING)
                if going and r.random() < 0.5:
                    going = self.move(-far, need, 0.8, SWING)
            elif errand == WAIT:
                self.spend(round(r.uniform(3, 12) / TICK), WAIT)
            else:
                self.free = np.zeros(7, bool)
                self.spend(round(r.uniform(4, 9) / TICK), TRAY)
                if self.at < self.ticks:
                    self.trays(0.7)
                self.spend(round(r.uniform(4, 12) / TICK), TRAY)
        self.free = np.zeros(7, bool)
        self.spend(self.ticks, PARKED)


def day(rng: np.random.Generator, minutes: float, hour: float, season: float) -> Plan:
    """Draw one session's errands."""
    laid = _Day(rng, round(60 * minutes / TICK))
    laid.go()
    base_b = bool(rng.random() < 0.4)
    turn = slice(None, None, -1) if base_b else slice(None)
    air = 21 + 8 * np.sin(2 * np.pi * season) + 7 * np.sin(2 * np.pi * (hour - 9) / 24)
    drift = np.linspace(0, rng.normal(0, 1.5), laid.ticks)
    return Plan(
        rate=laid.rate[:, turn], release=laid.release[:, turn], load=laid.load,
        listed=laid.listed, errand=laid.errand, start=laid.start[turn], base_b=base_b,
        air=air + rng.normal(0, 2) + drift, aside=rng.normal(0, 0.02, 3) * [1, 1, 0],
    )  # fmt: skip


def statics(plan: Plan, load_kg: Array | None = None, every: int = 25) -> Array:
    """Return the holding torques (instants, 7) of the planned postures, by end A."""
    load = plan.load if load_kg is None else load_kg
    q = (plan.start + np.cumsum(plan.rate, axis=0) * TICK)[::every]
    bodies = Bodies(np.full(len(q), plan.base_b), built())
    bodies.carry(load[::every])
    turn = slice(None, None, -1) if plan.base_b else slice(None)
    out: Array = holding(bodies, q[:, turn])[:, turn]
    return out


def _felt(plan: Plan, first: int, last: int) -> int:
    """Return the joint that feels a kilogram most, beside its friction, while it is free."""
    one = np.ones_like(plan.load)
    more = (statics(plan, one) - statics(plan, 0 * one)) / COULOMB * plan.release[::25]
    return int(np.argmax(np.square(more[first // 25 : last // 25]).mean(axis=0)))


def runs(mask: NDArray[np.bool_], least: int = 1) -> list[tuple[int, int]]:
    """Return the stretches (first, one past the last) of at least so many ticks."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(int), [0]])))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2) if b - a >= least]


def place(plan: Plan, cause: str, size: str, rng: np.random.Generator) -> bool:
    """Put a fault where the work makes it act; say whether there was such a place."""
    amount = SIZES[cause][1][("large", "middling", "small").index(size)]
    chances = list(_chances(plan, cause, amount, rng))
    if not chances:
        return False
    joints = sorted({joint for joint, *_ in chances})
    joint = joints[rng.integers(len(joints))]
    mine = [c for c in chances if c[0] == joint]
    _, first, last, signed = mine[rng.integers(len(mine))]
    plan.fault = Fault(joint, cause, size, signed, first * TICK, last * TICK)
    if cause == "wrong-load":
        plan.listed = plan.listed.copy()
        plan.listed[first:last] = round(plan.listed[first] + signed, 1)
    return True


def _chances(
    plan: Plan, cause: str, amount: float, rng: np.random.Generator
) -> Iterator[tuple[int, int, int, float]]:
    """Yield joint, first tick, one past the last, amount with its sign."""
    end, side = len(plan.load), float(rng.choice([-1.0, 1.0]))
    second = round(1 / TICK)
    hold = np.repeat(statics(plan), second, axis=0)[:end]
    speed = np.abs(plan.rate)
    if cause == "wrong-load":
        # A tray is listed when its weight begins to come on.
        edges = [0, *(np.flatnonzero(np.diff(plan.listed)) + 1).tolist(), end]
        for a, b in pairwise(edges):
            sign = side if plan.listed[a] > amount + 4 else 1.0
            if plan.listed[a] > 0 and (speed[a:b].max(axis=1) > 0).sum() > 60 * second:
                yield _felt(plan, a, b), a, b, sign * amount
        return
    for j in range(7):
        moves, freed = speed[:, j] > 0, runs(plan.release[:, j])
        if cause == "friction-step":
            for a in np.flatnonzero(moves)[:: 2 * second]:
                if 0.2 * end < a < 0.7 * end and moves[a:].sum() > 40 * second:
                    yield j, int(a), end, amount
        elif cause == "friction-growth":
            if moves.sum() > 100 * second:
                yield j, 5 * second, end, amount
        elif cause == "brake-drag":
            for k, (a, _) in enumerate(freed[:-1]):
                b = freed[min(k + int(rng.integers(1, 4)), len(freed) - 1)][1]
                if moves[a:b].sum() > 15 * second:
                    yield j, a, b, amount
        elif cause == "brake-slip":
            heavy = ~plan.release[:, j] & (np.abs(hold[:, j]) > 2 * COULOMB[j])
            for a, b in runs(heavy & ~np.isin(plan.errand, [TRAY]), 12 * second):
                first = int(rng.integers(a + 2 * second, b - 8 * second))
                last = first + int(rng.integers(3 * second, 6 * second))
                yield j, first, last, -float(np.sign(hold[first, j])) * amount
        elif cause in ("late-release", "late-release-lying"):
            for a, b in freed:
                if speed[a : a + 2 * second, j].max() > 1.5 * DEG and b - a > 5 * second:
                    yield j, a, a + round((0.12 + amount) / TICK), amount
        elif cause == "stick-slip":
            for a, b in runs(moves & (speed[:, j] < 0.6 * DEG), 11 * second):
                # Below this the loop's own stiffness keeps the joint from sticking.
                inch = speed[(a + b) // 2, j] / STICK_SPEED
                falls = amount * COULOMB[j] / STICK_SPEED * np.exp(-inch)
                if falls > 1.5 * (KV[6 - j if plan.base_b else j] + FILM[j] / FILM_SPEED):
                    yield j, a, b, amount
        elif cause == "blocked-motion":
            long = round(amount / TICK)
            for a, _ in runs(speed[:, j] > 1.5 * DEG, 3 * second):
                first = a + int(rng.integers(0, second))
                yield j, first, first + long, amount
        elif cause == "current-offset":
            a = int(rng.uniform(0.1, 0.6) * end)
            b = a + int(rng.uniform(90, 240) / TICK)
            if moves[a:b].sum() > 10 * second:
                yield j, a, min(b, end), side * amount
        elif cause == "current-gain":
            a = int(rng.uniform(0.1, 0.5) * end)
            b = a + int(rng.uniform(180, 330) / TICK)
            part = np.abs(hold[a:b, j])[plan.release[a:b, j]] / PER_AMPERE[j]
            if len(part) > 40 * second and part.mean() > 1.5 and moves[a:b].sum() > 20 * second:
                yield j, a, min(b, end), side * amount
        elif cause == "angle-jump":
            for a, b in freed:
                at = int(rng.integers(a, b))
                if 0.1 * end < at < 0.8 * end:
                    yield j, at, end, side * amount
        elif cause == "angle-stuck":
            long = round(amount / TICK)
            for a, b in runs(speed[:, j] > 1.5 * DEG, long):
                first = int(rng.integers(a, b - long + 1))
                yield j, first, first + long, amount
