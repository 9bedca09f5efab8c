"""What the crew of the rafter hand does in a session: programs, carries, jogs, pauses.

Joints are counted from the base of the session; degrees, rows of the recorder's clock.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.plants.rafter_hand_body import PITCH, Array

HZ = 12.5
FAST_DEG_S = np.where(PITCH, 12.0, 18.0)
RANGE_DEG = np.where(PITCH, 105.0, 150.0)
ITEMS_KG = (2.8, 4.5, 6.2, 9.0, 12.5, 15.0)
MODES = ("idle", "program", "pendant", "handling")
BLEND_ROWS = 5
"""The controller rounds every change of speed over so many rows."""


@dataclass
class Plan:
    """One session as asked for."""

    start_deg: Array
    asked_deg_s: Array
    free: NDArray[np.bool_]
    mode: NDArray[np.int8]
    hung_kg: Array
    said_kg: Array

    @property
    def place_deg(self) -> Array:
        """Return where the joints are meant to be, row after row."""
        out: Array = self.start_deg + np.cumsum(self.asked_deg_s, axis=0) / HZ
        return out


def posture(rng: np.random.Generator) -> Array:
    """Return a posture that stays below the rafters."""
    luff = rng.uniform(-55, 55)
    bend = np.clip(rng.choice([-1, 1]) * rng.uniform(20, 100), -95 - luff, 95 - luff)
    nod = np.clip(rng.uniform(-70, 70), -120 - luff - bend, 120 - luff - bend)
    return np.array([
        rng.uniform(-110, 110), luff, rng.uniform(-50, 50), bend, rng.uniform(-60, 60), nod,
        rng.uniform(-100, 100),
    ])  # fmt: skip


def programs(seed: int) -> list[list[Array]]:
    """Return the hall's six programs: what is repeated in all sessions."""
    rng = np.random.default_rng([seed, 5])
    out = []
    for _ in range(6):
        first = posture(rng)
        vias = [first]
        for _ in range(int(rng.integers(2, 5))):
            step = posture(rng) if rng.random() < 0.4 else vias[-1] + rng.normal(0, 16, 7)
            vias.append(np.clip(step, -RANGE_DEG, RANGE_DEG))
        out.append(vias)
    return out


class Day:
    """Puts a session together, piece after piece, by the habits of whoever is on shift."""

    def __init__(self, rng: np.random.Generator, known: list[list[Array]], rows: int) -> None:
        """Draw the habits."""
        self.rng, self.known, self.rows = rng, known, rows
        self.lead_s = rng.uniform(0.5, 1.1)
        self.clamps = rng.random() < 0.6
        self.override = rng.choice([0.4, 0.6, 0.8, 1.0], p=[0.15, 0.3, 0.35, 0.2])
        self.jogs = rng.uniform(0.1, 0.5)
        self.alone = rng.random() < 0.5
        self.start = known[int(rng.integers(6))][0] + rng.normal(0, 3, 7)
        self.at, self.free, self.mode = self.start.copy(), np.zeros(7, bool), 0
        self.hung = self.said = 0.0
        self.parts: list[tuple[Array, ...]] = []
        self.count = 0

    def add(self, rate: Array, hung: Array | None = None) -> None:
        """Append rows."""
        n = len(rate)
        self.parts.append((
            rate, np.repeat(self.free[None], n, 0).astype(float), np.full(n, float(self.mode)),
            np.full(n, self.hung) if hung is None else hung, np.full(n, self.said),
        ))  # fmt: skip
        self.at = self.at + rate.sum(axis=0) / HZ
        self.count += n

    def wait(self, seconds: float) -> None:
        """Stand."""
        self.add(np.zeros((max(1, round(seconds * HZ)), 7)))

    def release(self, which: slice | int = slice(None)) -> None:
        """Release brakes and give them time."""
        if not self.free[which].all() if isinstance(which, slice) else not self.free[which]:
            self.free[which] = True
            self.wait(self.lead_s + self.rng.uniform(0, 0.25))

    def clamp(self) -> None:
        """Come to rest and engage the brakes."""
        self.wait(self.rng.uniform(0.8, 1.6))
        self.free[:] = False
        self.wait(0.6)

    def go(self, target: Array, share: float) -> None:
        """Move all joints to a posture, together."""
        d = np.clip(target, -RANGE_DEG, RANGE_DEG) - self.at
        cruise = float(np.max(np.abs(d) / (FAST_DEG_S * share)))
        n, ramp = round((cruise + 0.8) * HZ) + 2, 10
        up = np.minimum(np.arange(1, n + 1), np.arange(n, 0, -1)) / ramp
        profile = np.minimum(up, 1.0)
        self.add(np.outer(profile / profile.sum() * HZ, d))
        self.wait(self.rng.uniform(0.3, 2.5))

    def jog(self) -> None:
        """Push the pendant's buttons for one joint."""
        self.mode = 2
        j = int(self.rng.integers(7))
        self.release(j if self.alone else slice(None))
        for _ in range(int(self.rng.integers(2, 7))):
            n = round(self.rng.uniform(0.8, 5.0) * HZ)
            speed = self.rng.choice([0.08, 0.15, 0.3]) * FAST_DEG_S[j] * self.rng.uniform(0.8, 1.1)
            speed *= -np.sign(self.at[j]) if abs(self.at[j]) > 90 else self.rng.choice([-1, 1])
            rate = np.zeros((n, 7))
            rate[:, j] = speed * np.minimum(np.minimum(np.arange(n), np.arange(n)[::-1]) / 4, 1)
            self.add(rate)
            self.wait(self.rng.uniform(0.3, 2.0))

    def handle(self, mass: float, said: float) -> None:
        """Reach down, take or leave a load, come up again."""
        self.mode = 3
        dip = np.array([0, self.rng.uniform(2, 5), 0, self.rng.uniform(-8, -4), 0, 5.0, 0])
        up = self.at.copy()
        self.go(up + dip, 0.25)
        self.wait(self.rng.uniform(0.8, 2.0))
        ramp = np.linspace(self.hung, mass, 7)
        self.add(np.zeros((7, 7)), ramp)
        self.hung = mass
        self.wait(float(self.rng.integers(1, 4)) / HZ)
        self.said = said
        self.wait(self.rng.uniform(0.8, 2.0))
        self.go(up, 0.25)

    def program(self, carry: bool) -> None:
        """Run one of the known programs, with or without something in hand."""
        vias = self.known[int(self.rng.integers(6))]
        self.release()
        self.mode = 1
        self.go(vias[0], self.override)
        if carry:
            nominal = float(self.rng.choice(ITEMS_KG))
            self.handle(nominal * (1 + 0.01 * self.rng.standard_normal()), nominal)
        for _ in range(int(self.rng.integers(1, 3))):
            for via in vias[1:]:
                self.mode = 1
                share = self.override * (0.6 if self.hung > 8 else 1.0)
                self.go(via, share * self.rng.choice([1.0, 1.0, 0.7]))
            if self.count > self.rows:
                break
        if carry:
            self.handle(0.0, 0.0)

    def plan(self) -> Plan:
        """Fill the session."""
        self.wait(self.rng.uniform(3, 15))
        if self.rng.random() < 0.35:
            self.release()
            self.mode = 1
            for j in range(7):
                for sign in (1, -1):
                    target = self.at.copy()
                    target[j] += sign * 15.0
                    self.go(target, 0.5)
            self.clamp()
        while self.count < self.rows - 700:
            kind = self.rng.random()
            if kind < self.jogs:
                self.jog()
            else:
                self.program(carry=self.rng.random() < 0.5)
            if self.clamps or self.rng.random() < 0.4:
                self.clamp()
            self.mode = 0
            self.wait(self.rng.uniform(2, 25))
        self.clamp()
        self.mode = 0
        self.wait(self.rng.uniform(4, 12))
        rate, free, mode, hung, said = (np.concatenate(p) for p in zip(*self.parts, strict=True))
        box = np.ones(BLEND_ROWS) / BLEND_ROWS
        blended = np.apply_along_axis(np.convolve, 0, rate, box, "same")
        return Plan(self.start, blended, free > 0, mode.astype(np.int8), hung, said)
