"""The hands of Larkspur's crew: how joints are asked to move, errand by errand.

A hand holds a rate unsteadily, pauses on the way, and corrects afterwards. Joints go one by one,
in overlapping pairs or all at once. Stations are postures on an invented deck.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.plants.deck_reacher_body import tip_height

Array = np.ndarray[Any, Any]

HZ = 40
VMAX_DEG = np.array([8.0, 5.0, 10.0, 7.0, 15.0, 12.0, 20.0])
VMAX = np.deg2rad(VMAX_DEG)
LOWEST = np.array([-155.0, -25.0, -75.0, 10.0, -125.0, -75.0, -170.0])
HIGHEST = np.array([155.0, 78.0, 75.0, 125.0, 125.0, 75.0, 170.0])
STOW = np.array([0.0, -12.0, 0.0, 118.0, 0.0, 40.0, 0.0])
STATIONS = {
    "rack": np.array([-95.0, 52.0, 8.0, 78.0, -15.0, 42.0, 20.0]),
    "rail": np.array([80.0, 58.0, -12.0, 42.0, 25.0, 50.0, -70.0]),
    "bench": np.array([-30.0, 30.0, 25.0, 95.0, 40.0, 30.0, 95.0]),
    "hatch": np.array([25.0, 66.0, 0.0, 50.0, -60.0, 38.0, 10.0]),
    "mast": np.array([120.0, 12.0, -40.0, 35.0, 70.0, -20.0, -120.0]),
}
FRAMES_KG = (8.0, 14.0, 22.0, 31.0, 45.0)


class Shift:
    """The hands of one session: writes commands forward in time."""

    def __init__(self, g: np.random.Generator, ticks: int) -> None:
        self.g, self.ticks = g, ticks
        self.cmd, self.load, self.said = np.zeros((ticks, 7)), np.zeros(ticks), np.zeros(ticks)
        self.now, self.at, self.kg = int(HZ * g.uniform(8, 20)), STOW + g.normal(0, 0.5, 7), 0.0
        self.pose = self.at.copy()
        self.brisk = g.uniform(0.35, 0.78)
        self.unsteady = g.uniform(0.02, 0.06)
        self.live: list[tuple[int, int]] = []

    @property
    def over(self) -> bool:
        return self.now > self.ticks - 25 * HZ

    def wait(self, low: float, high: float) -> None:
        self.now += int(HZ * self.g.uniform(low, high))

    def move(self, joint: int, by_deg: float, share: float, begin: int) -> int:
        """Turn a joint; return the tick at which it is done."""
        g, room = self.g, (LOWEST[joint] - self.at[joint], HIGHEST[joint] - self.at[joint])
        by_deg, growth = float(np.clip(by_deg, *room)), VMAX_DEG[joint] / g.uniform(0.7, 1.2)
        top = min(VMAX_DEG[joint] * np.clip(share, 0.05, 1.0), np.sqrt(abs(by_deg) * growth))
        if abs(by_deg) < 0.05:
            return begin
        rise = top / growth
        count = int(HZ * (abs(by_deg) / top + rise)) + 2
        t = np.arange(count) / HZ
        shape = np.clip(np.minimum(t, count / HZ - t) / rise, 0.0, 1.0) * top
        shake, now = np.empty(count), 0.0
        for k, kick in enumerate(g.normal(0, self.unsteady * np.sqrt(2 / (0.6 * HZ)), count)):
            now += kick - now / (0.6 * HZ)
            shake[k] = now
        shape *= 1 + shake
        if count > 4 * HZ and g.random() < 0.18:
            mid, half = g.uniform(0.3, 0.7) * t[-1], g.uniform(0.5, 1.2)
            shape *= 1 - g.uniform(0.5, 0.9) * np.clip(2 - 2 * np.abs(t - mid) / half, 0, 1)
        steps = np.round(shape * np.sign(by_deg) / 0.02) * 0.02
        end = min(begin + count, self.ticks - 12 * HZ)
        if end <= begin:
            return begin
        self.cmd[begin:end, joint] = steps[: end - begin]
        self.at[joint] += self.cmd[begin:end, joint].sum() / HZ
        if g.random() < 0.25 and end < self.ticks - 20 * HZ:
            way = -np.sign(by_deg) if g.random() < 0.6 else np.sign(by_deg)
            return self._nudge(
                joint, way * g.uniform(0.2, 1.2), end + int(HZ * g.uniform(0.4, 1.5))
            )
        return end

    def _nudge(self, joint: int, by_deg: float, begin: int) -> int:
        rate = VMAX_DEG[joint] * self.g.uniform(0.06, 0.16)
        count = max(int(HZ * abs(by_deg) / rate), 6)
        end = min(begin + count, self.ticks - 12 * HZ)
        if end > begin:
            self.cmd[begin:end, joint] = np.round(rate / 0.02) * 0.02 * np.sign(by_deg)
            self.at[joint] += self.cmd[begin:end, joint].sum() / HZ
        return max(end, begin)

    def go(self, target: Array, share: float | None = None) -> None:
        """Bring all joints to a posture: one by one, in overlapping pairs, or all at once."""
        g = self.g
        way = g.choice(["single", "pairs", "all"], p=[0.42, 0.36, 0.22])
        share = share or self.brisk * g.lognormal(0, 0.22)
        if way == "all":
            longest = np.max(np.abs(target - self.at) / VMAX_DEG) / np.clip(share, 0.1, 0.9)
            self.live.append((self.now - HZ, self.now + int(HZ * (longest + 4))))
            begin = self.now + int(0.8 * HZ)
            by = target - self.at
            shares = np.abs(by) / VMAX_DEG / longest
            ends = [self.move(k, by[k], shares[k], begin) for k in range(7)]
            self.now = max(ends)
            return
        order = g.permutation(7) if g.random() < 0.5 else np.array([3, 1, 0, 2, 4, 5, 6])
        for k in order:
            if self.over:
                return
            begin = self.now
            end = self.move(k, target[k] - self.at[k], share * g.lognormal(0, 0.18), begin)
            gap = HZ * g.uniform(0.6, 3.5)
            if way == "pairs":
                gap = -g.uniform(0.2, 0.8) * (end - begin)
            self.now = max(begin + HZ // 2, end + int(gap))
        asked = np.flatnonzero(self.cmd.any(axis=1))
        self.now = max(self.now, int(asked[-1]) + HZ if len(asked) else 0)

    def near(self, name: str, scatter: float = 6.0) -> Array:
        """Return a posture near a station, the tip clear of the deck."""
        for _ in range(40):
            target = STATIONS[name] + self.g.normal(0, scatter, 7) * [1.5, 0.6, 1, 0.8, 2, 1, 3]
            target = np.clip(target, LOWEST + 2, HIGHEST - 2)
            if tip_height(np.deg2rad(target))[0] > 0.35:
                return target
        return STATIONS[name]

    def check_joints(self) -> None:
        """Turn every joint there and back, one after the other, at one share of its speed."""
        share = self.g.choice([0.2, 0.4, 0.6])
        for k in range(7):
            if self.over:
                return
            by = self.g.uniform(8, 20) * (1 if self.at[k] < (LOWEST[k] + HIGHEST[k]) / 2 else -1)
            self.now = self.move(k, by, share, self.now)
            self.wait(0.5, 2.0)
            self.now = self.move(k, -by, share, self.now)
            self.wait(1.0, 4.0)

    def take(self, said_kg: float) -> None:
        """Take on a frame, or set it down (0 kg): the arm waits, the load is written in by hand."""
        kg = said_kg * (1 + self.g.normal(0, 0.012))
        self.wait(3.0, 6.0)
        n = int(self.g.uniform(1.0, 2.5) * HZ)
        self.load[self.now : self.now + n] = np.linspace(self.load[self.now], kg, n)
        self.load[self.now + n :] = kg
        self.said[self.now + n // 2 + int(self.g.uniform(-1.0, 1.0) * HZ) :] = said_kg
        self.now += n
        self.wait(3.0, 7.0)

    def carry(self) -> None:
        """Bring a frame from one station to another."""
        one, other = self.g.choice(list(STATIONS), 2, replace=False)
        self.go(self.near(one))
        if self.over:
            return
        self.take(float(self.g.choice(FRAMES_KG)))
        self.go(self.near(other), 0.75 * self.brisk)
        if self.over:
            return
        self.fine()
        if not self.over:
            self.take(0.0)

    def fine(self) -> None:
        """Place something: small slow movements of few joints, all brakes off at times."""
        begin = self.now
        for _ in range(int(self.g.integers(4, 11))):
            if self.over:
                return
            k = int(self.g.choice(7, p=[0.16, 0.17, 0.08, 0.17, 0.1, 0.18, 0.14]))
            by = self.g.choice([-1, 1]) * self.g.uniform(0.6, 4.0)
            self.now = self.move(k, by, self.g.uniform(0.05, 0.22), self.now)
            self.wait(0.3, 3.0)
        if self.g.random() < 0.4:
            self.live.append((begin - HZ, self.now + HZ))

    def look(self) -> None:
        """Look at something: wrist and slew back and forth."""
        for _ in range(int(self.g.integers(3, 8))):
            if self.over:
                return
            k = int(self.g.choice([0, 2, 4, 5, 6]))
            by = self.g.choice([-1, 1]) * self.g.uniform(5, 35)
            self.now = self.move(k, by, 0.8 * self.brisk, self.now)
            self.wait(1.0, 8.0)
