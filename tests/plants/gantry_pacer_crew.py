"""What the gantry pacer's crew does in a session, by hand controller, 25 times a second.

A session is a chain of errands: free some brakes, push joints about one, two or three at a time,
slowly, briskly or fast, let them stand between, set the brakes. Between errands loads are taken up
or set down, a person clips on to the tip, or the arm walks: both ends latched, every brake set,
the other end is the base from then on.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np

from tests.plants.gantry_pacer_body import PLATE, needs

Array = np.ndarray[Any, Any]

HZ = 25
VMAX = np.array([9.0, 5.0, 5.0, 7.0, 5.0, 5.0, 9.0])
LOWEST = np.array([-160.0, -38.0, -95.0, -125.0, -95.0, -38.0, -160.0])
HIGHEST = -LOWEST
LIMIT_NM = np.array([300.0, 1700.0, 2000.0, 1500.0, 2000.0, 1700.0, 300.0])
LOADS_KG = (0, 6, 9, 12, 18, 24, 30)
PACES = ((0.03, 0.09), (0.25, 0.55), (0.7, 1.0))
ARCH = {1: 0.0, 2: 50.0, 3: 80.0, 4: 50.0, 5: 0.0}


@dataclass
class Fault:
    """One thing gone wrong: ticks from start to end, of a stated amount."""

    cause: str
    size: str
    joint: int
    start: int
    end: int
    amount: float
    sign: float = 1.0


@dataclass
class Mission:
    """What is asked of the arm in one session, tick by tick."""

    seed: int
    start: datetime
    role: str
    days: float
    order: Array
    """(ticks, 7) deg/s"""
    shut: Array
    """(ticks, 7): brakes commanded on"""
    base_b: Array
    load: Array
    said_load: Array
    person: Array
    pose: Array
    hall_c: float
    volts: float
    fault: Fault | None = None
    strokes: list[tuple[int, int, int, float]] = field(default_factory=list)
    """(joint, first tick, last tick, deg/s)"""
    carries: list[tuple[int, int]] = field(default_factory=list)

    @property
    def ticks(self) -> int:
        """Return the session's length."""
        return len(self.order)


class Crew:
    """Fills a session from its beginning; knows where the joints should stand."""

    def __init__(self, seed: int, minutes: float) -> None:
        self.g = np.random.default_rng([seed, 2])
        self.ticks = round(minutes * 60 * HZ)
        self.order, self.shut = np.zeros((self.ticks, 7)), np.ones((self.ticks, 7), bool)
        self.base_b, self.person = np.zeros(self.ticks, bool), np.zeros(self.ticks, bool)
        self.load = np.zeros(self.ticks)
        self.now, self.base, self.kg, self.someone = 0, bool(self.g.random() < 0.45), 0, False
        self.strokes: list[tuple[int, int, int, float]] = []
        self.carries: list[tuple[int, int]] = []
        self.guest = self.g.random() < 0.2
        self.porter = self.g.random() < 0.65
        self.q = np.zeros(7)
        self.q = self.pose(range(7))
        self.first = self.q.copy()
        self.walk_at = self.ticks * self.g.uniform(0.3, 0.7) if self.g.random() < 0.16 else np.inf

    def pose(self, joints: Any) -> Array:
        """Return a posture that differs in some joints, that the drives can hold."""
        for _ in range(60):
            q = self.q.copy()
            for k in joints:
                q[k] = self.g.uniform(LOWEST[k], HIGHEST[k])
            if self.bearable(q):
                return q
        return self.q.copy()

    def bearable(self, q: Array) -> bool:
        """Tell whether a posture is within the drives' strength, and the free end high enough."""
        base, load = np.array([self.base]), np.array([max(self.kg, 12.0) * 4 / 3])
        asked = needs(np.deg2rad(q)[None], base, load, PLATE)
        # on base B, up is against the tip's outward axis, and counts from there to end A
        height = float(asked.out[0] @ asked.end[0] if self.base else asked.end[0, 2])
        push = 220.0 * np.abs(asked.push[0]).max(axis=1) if self.guest else 0.0
        return bool((np.abs(asked.weight[0]) + push < LIMIT_NM).all()) and height > -0.8

    def pause(self, seconds: float) -> None:
        """Let time pass."""
        self.fill(min(self.ticks, self.now + round(seconds * HZ)))

    def fill(self, until: int) -> None:
        """Write what holds until a tick."""
        part = slice(self.now, until)
        self.base_b[part], self.load[part], self.person[part] = self.base, self.kg, self.someone
        self.now = until

    def stroke(self, moves: dict[int, tuple[float, float]]) -> None:
        """Push joints to their targets, each at its own speed, starting at about one time."""
        g, longest = self.g, 0
        for k, (target, speed) in moves.items():
            way = target - self.q[k]
            if abs(way) < 0.4:
                continue
            at = self.now + int(g.integers(0, 12))
            ramp = max(2, round(g.uniform(0.2, 0.8) * HZ))
            flat = max(3, round(abs(way) / speed * HZ) - ramp)
            shape = np.concatenate([np.arange(1, ramp + 1) / ramp, np.ones(flat)])
            shape = np.concatenate([shape, np.arange(ramp - 1, -1, -1) / ramp])
            shape *= 1 + wander(g, len(shape), 2.0, 0.03)
            if flat > 6 * HZ and g.random() < 0.3:  # eases off, pushes on
                cut = int(g.integers(2 * ramp, len(shape) - 2 * ramp))
                shape[cut : cut + HZ] *= g.uniform(0.3, 0.7)
            pushed = np.sign(way) * speed * shape
            pushed = np.round(pushed / VMAX[k] * 127) / 127 * VMAX[k]
            if at + len(pushed) >= self.ticks - 6 * HZ:
                continue
            self.order[at : at + len(pushed), k] = pushed
            self.q[k] += pushed.sum() / HZ
            self.strokes.append((k, at, at + len(pushed), float(np.sign(way) * speed)))
            longest = max(longest, at + len(pushed) - self.now)
        self.fill(min(self.ticks, self.now + longest))

    def errand(self, joints: list[int], count: int) -> None:
        """Free some brakes, make some strokes, set the brakes."""
        g = self.g
        begin = self.now
        self.pause(g.uniform(0.5, 1.4))
        for _ in range(count):
            moving = g.permutation(joints)[: int(g.choice([1, 2, 3], p=[0.5, 0.35, 0.15]))]
            target, moves = self.pose(moving), {}
            for k in moving:
                pace = PACES[g.choice(3, p=[0.3, 0.4, 0.3])]
                speed = VMAX[k] * (g.uniform(0.08, 0.2) if self.someone else g.uniform(*pace))
                way = np.clip(target[k] - self.q[k], -28 * speed, 28 * speed)
                moves[int(k)] = (float(self.q[k] + way), float(speed))
            if self.bearable(np.array([moves.get(k, (self.q[k],))[0] for k in range(7)])):
                self.stroke(moves)
            self.pause(g.uniform(0.6, 5.0))
        self.shut[begin : self.now, joints] = False

    def between(self) -> None:
        """Do what is done with all brakes set."""
        g = self.g
        self.pause(g.uniform(4, 22))
        if self.porter and g.random() < 0.45 and not self.someone:
            begin, had = self.now, self.kg
            self.kg = int(g.choice(LOADS_KG)) if not had else 0
            if not self.bearable(self.q):
                self.kg = had
            if self.kg and not had:
                self.carries.append((begin, self.ticks))
            elif had and not self.kg:
                self.carries[-1] = (self.carries[-1][0], begin)
            self.pause(g.uniform(4, 10))
        if self.guest and not self.kg and g.random() < (0.5 if self.someone else 0.3):
            self.someone = not self.someone
            self.pause(g.uniform(6, 14))
        if self.now > self.walk_at and not self.someone:
            self.walk()

    def walk(self) -> None:
        """Go to the arch, latch the free end, and stand on it."""
        self.walk_at, begin = np.inf, self.now
        if self.kg:
            self.kg = 0
            self.carries[-1] = (self.carries[-1][0], self.now)
        if self.ticks - self.now < 150 * HZ:
            return
        self.pause(1.0)
        for _ in range(2):
            self.stroke({k: (x, 0.45 * VMAX[k]) for k, x in ARCH.items()})
            self.pause(1.5)
        self.shut[begin : self.now, list(ARCH)] = False
        self.pause(12)
        if np.abs([self.q[k] - x for k, x in ARCH.items()]).max() < 2:
            self.base = not self.base
        self.pause(12)


def wander(g: np.random.Generator, n: int, seconds: float, size: float, hz: float = HZ) -> Array:
    """Return a slow random wobble of a stated size and memory."""
    knots = max(2, int(n / (hz * seconds) * 2) + 3)
    rough = np.empty(knots)
    rough[0], step = g.normal(), np.exp(-0.5)
    for k in range(1, knots):
        rough[k] = step * rough[k - 1] + np.sqrt(1 - step**2) * g.normal()
    return size * np.interp(np.linspace(0, knots - 1, n), np.arange(knots), rough)


def plan(seed: int, start: datetime, minutes: float, role: str, days: float) -> Mission:
    """Plan one session."""
    crew = Crew(seed, minutes)
    g = crew.g
    crew.pause(g.uniform(8, 25))
    while crew.now < crew.ticks - 50 * HZ:
        few = int(g.choice([2, 3, 4, 7], p=[0.3, 0.3, 0.25, 0.15]))
        joints = sorted(int(k) for k in g.permutation(7)[:few])
        crew.errand(joints, int(g.integers(2, 6)))
        crew.between()
    crew.fill(crew.ticks)
    season = 8.0 - 5.0 * np.cos(2 * np.pi * (days - 20) / 365)
    return Mission(
        seed, start, role, days, crew.order, crew.shut, crew.base_b, crew.load,
        crew.load.copy(), crew.person, crew.first, float(season + g.normal(0, 1.5)),
        float(g.normal(1.0, 0.03)), None, crew.strokes, crew.carries,
    )  # fmt: skip
