"""What the basin keeper's crew does in a session, and where one fault is put into it.

A session is a row of operations: reaches, slow approaches to a socket, one joint at a time, short
jogs, rests on the brakes, loads hung on and taken off. It is planned as asked rates and brake words
on the recorder's clock; where the arm really goes is the simulator's business.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.plants.basin_keeper_body import Array

HZ = 20
SIZES = ("large", "middling", "small")
CAUSES = {
    "friction-step": ("friction", (0.60, 0.30, 0.15)),
    "friction-growth": ("friction", (0.80, 0.40, 0.20)),
    "brake-drag": ("brake-drag", (0.50, 0.25, 0.12)),
    "brake-slip": ("brake-slip", (52.36, 8.73, 0.6)),  # mrad: 3 deg, 0.5 deg, 6 resolutions
    "late-release": ("late-release", (0.6, 0.3, 0.15)),
    "late-release-lying": ("late-release", (1.0, 0.5, 0.25)),
    "stick-slip": ("stick-slip", (0.60, 0.30, 0.15)),
    "blocked": ("stall", (7.0, 4.0, 2.0)),
    "current-offset": ("current-sensor", (0.30, 0.15, 0.08)),
    "current-gain": ("current-sensor", (0.40, 0.20, 0.10)),
    "angle-jump": ("angle-sensor", (60.0, 20.0, 6.0)),
    "angle-stuck": ("angle-sensor", (10.0, 4.0, 2.0)),
    "payload": ("load", (1.00, 0.50, 0.33)),
}
LOADS = {
    # kg from, to; water taken along; weight against the wet gravity; drag N s2/m2
    "anode": (12.0, 26.0, 1.06, 1.05, 35.0),
    "grate": (16.0, 34.0, 1.12, 1.02, 110.0),
    "basket": (8.0, 36.0, 1.20, 0.96, 160.0),
}
PHASES = ("reach", "approach", "single", "jog", "rest", "load")
_OFTEN = (0.24, 0.24, 0.24, 0.10, 0.08, 0.10)
_RANGE_DEG = np.array(
    [[-70, 70], [-50, 60], [-100, 100], [15, 125], [-100, 100], [-80, 80], [-80, 80]]
)
_TOP_DEG_S = np.array([7.0, 7.0, 12.0, 8.0, 12.0, 9.0, 9.0])


@dataclass
class Plan:
    """One session as the crew asks for it, joints in base order, rows of the recorder's clock."""

    base_b: bool
    start_deg: Array  # (7,)
    asked: Array  # (T, 7) deg/s
    shut: NDArray[np.bool_]  # (T, 7) brake asked
    phase: NDArray[np.int8]  # (T,)
    hung: Array  # (T,) declared kg
    kind: NDArray[np.int8]  # (T,) of load, -1 without
    releases: list[tuple[int, int]] = field(default_factory=list)  # (joint, row)


@dataclass(frozen=True)
class Fault:
    """One fault: joint in base order, rows of the recorder's clock."""

    cause: str
    size: str
    joint: int
    first: int
    last: int
    amount: float
    sign: int
    part: float
    """A number in 0..1 for whatever else is to be chosen."""

    @property
    def kind(self) -> str:
        return CAUSES[self.cause][0]


class _Crew:
    """Writes a plan row by row."""

    def __init__(self, rng: np.random.Generator, rows: int, loaded: bool) -> None:
        self.rng, self.rows, self.now = rng, rows, 0
        start = np.array([rng.uniform(lo * 0.5, hi * 0.5) for lo, hi in _RANGE_DEG])
        start[3] = rng.uniform(40, 100)
        self.at = start.copy()
        self.plan = Plan(
            base_b=bool(rng.random() < 0.4),
            start_deg=start,
            asked=np.zeros((rows, 7)),
            shut=np.ones((rows, 7), dtype=bool),
            phase=np.full(rows, 4, np.int8),
            hung=np.zeros(rows),
            kind=np.full(rows, -1, np.int8),
        )
        if loaded:
            self.hang()

    def hang(self) -> None:
        """Hang another load on, or take off the one that hangs."""
        p = self.plan
        if p.kind[self.now] >= 0:
            p.hung[self.now :], p.kind[self.now :] = 0.0, -1
            return
        kind = int(self.rng.integers(len(LOADS)))
        low, high = list(LOADS.values())[kind][:2]
        p.hung[self.now :] = round(float(self.rng.uniform(low, high)), 1)
        p.kind[self.now :] = kind

    def wait(self, low_s: float, high_s: float) -> None:
        self.now += max(1, int(self.rng.uniform(low_s, high_s) * HZ))

    def release(self, joints: NDArray[np.int64]) -> None:
        for j in joints:
            if self.plan.shut[self.now, j]:
                self.plan.releases.append((int(j), self.now))
        self.plan.shut[self.now :, joints] = False
        self.wait(0.15, 0.45)

    def move(self, joints: NDArray[np.int64], by_deg: Array, share: float) -> None:
        """Turn the joints together, as fast as ``share`` of their top rates allows."""
        low, high = _RANGE_DEG[joints].T
        goal = np.clip(self.at[joints] + by_deg, low, high)
        goal = np.where(np.abs(goal - self.at[joints]) < 0.3 * np.abs(by_deg),
                        np.clip(self.at[joints] - by_deg, low, high), goal)  # fmt: skip
        by = goal - self.at[joints]
        ramp = float(self.rng.uniform(0.6, 1.6)) if share > 0.2 else 0.4
        long = max(0.3, float(np.max(np.abs(by) / (_TOP_DEG_S[joints] * share))))
        ramp = min(ramp, long)
        t = np.arange(int((long + ramp) * HZ) + 1) / HZ
        shape = np.clip(np.minimum(t / ramp, (long + ramp - t) / ramp), 0, 1)
        end = min(self.now + len(t), self.rows)
        self.plan.asked[self.now : end, joints] = np.outer(shape, by / long)[: end - self.now]
        self.at[joints] = goal
        self.now = end

    def operate(self) -> None:
        rng, p, begun = self.rng, self.plan, self.now
        phase = int(rng.choice(len(PHASES), p=_OFTEN))
        name = PHASES[phase]
        if name in ("rest", "load"):
            p.shut[self.now :] = True
            self.wait(*((14, 35) if name == "rest" else (4, 8)))
            if name == "load" and self.now < self.rows - 60 * HZ:
                self.hang()
                self.wait(8, 18)
            p.phase[begun : self.now] = phase
            return
        count = 1 if name in ("single", "jog") else int(rng.integers(2, 6))
        joints = rng.choice(7, count, replace=False)
        self.release(np.arange(7) if rng.random() < 0.45 else joints)
        for _ in range(int(rng.integers(2, 6)) if name != "approach" else int(rng.integers(1, 4))):
            if self.now >= self.rows - 10 * HZ:
                break
            way = rng.choice([-1.0, 1.0], count)
            top = _TOP_DEG_S[joints]
            if name == "jog":
                self.move(joints, way * top * rng.uniform(0.05, 0.4), float(rng.uniform(0.1, 0.4)))
            elif name == "approach":
                share = float(rng.uniform(0.05, 0.14))
                self.move(
                    joints,
                    way * top * share * rng.uniform(12, 32) * rng.uniform(0.5, 1, count),
                    share,
                )
            else:
                share = float(rng.choice([rng.uniform(0.15, 0.4), rng.uniform(0.4, 1.0)]))
                self.move(joints, way * top * rng.uniform(1.5, 7, count), share)
            self.wait(0.5, 3.5)
        if rng.random() < 0.8 and self.now < self.rows:
            p.shut[self.now :] = True
            self.wait(2, 9)
        p.phase[begun : self.now] = phase


def plan(rng: np.random.Generator, minutes: float, loaded: bool) -> Plan:
    """Return one session's plan."""
    rows = int(minutes * 60 * HZ)
    crew = _Crew(rng, rows, loaded)
    crew.wait(4, 10)
    while crew.now < rows - 25 * HZ:
        crew.operate()
    crew.plan.shut[min(crew.now, rows - 1) :] = True
    crew.plan.asked[-1] = 0.0
    return crew.plan


def place(p: Plan, cause: str, size: str, rng: np.random.Generator) -> Fault | None:
    """Return a fault where it can show in the plan, or None where it cannot."""
    amount = CAUSES[cause][1][SIZES.index(size)]
    rows = len(p.asked)
    moving = np.abs(p.asked) > 0.2
    spots: list[tuple[int, int, int]] = []
    if cause in ("friction-step", "current-offset", "current-gain"):
        for j in range(7):
            first = int(rows * rng.uniform(0.25, 0.7))
            last = rows
            if cause != "friction-step" and rng.random() < 0.6:
                last = min(rows, first + int(HZ * rng.uniform(130, 300)))
            if moving[first:last, j].sum() > 30 * HZ:
                spots.append((j, first, last))
    elif cause == "friction-growth":
        spots = [(j, 0, rows) for j in range(7) if moving[rows // 2 :, j].sum() > 40 * HZ]
    elif cause == "brake-drag":
        for j, row in p.releases:
            shut = np.flatnonzero(p.shut[row:, j])
            end = row + (int(shut[0]) if len(shut) else rows - row)
            turned = np.cumsum(moving[row:end, j])
            if len(turned) and turned[-1] >= 20 * HZ:
                most = min(60 * HZ, int(turned[-1]))
                stop = int(np.searchsorted(turned, rng.integers(20 * HZ, most + 1)))
                spots.append((j, row, min(row + stop + 1, end)))
    elif cause == "brake-slip":
        for j in range(7):
            for a, b in _runs(p.shut[:, j], 14 * HZ):
                first = a + int(rng.uniform(3, 4) * HZ)
                spots.append((j, first, min(b - HZ, first + int(rng.uniform(2, 10) * HZ))))
    elif cause.startswith("late-release"):
        for j, row in p.releases:
            soon = np.flatnonzero(moving[row : row + HZ // 2, j])
            lying = cause.endswith("lying")  # shows only if the drive pushes while it is held
            held_to = min(row + int((amount + 0.15) * HZ), rows - 1)
            pushed = bool(len(soon)) and soon[0] <= 5 and abs(p.asked[held_to, j]) > 0.8
            if len(soon) and row > 5 * HZ and (pushed or not lying):
                spots.append((j, row, row + int((amount + 1.2) * HZ)))
    elif cause == "stick-slip":
        for j in range(7):
            slow = moving[:, j] & (np.abs(p.asked[:, j]) < 1.8)
            spots += [(j, a, min(b, a + 30 * HZ)) for a, b in _runs(slow, 10 * HZ)]
    elif cause in ("blocked", "angle-stuck"):
        for j in range(7):
            for a, b in _runs(np.abs(p.asked[:, j]) > 0.8, int((amount + 0.8) * HZ)):
                first = int(rng.integers(a + HZ // 2, b - int(amount * HZ)))
                spots.append((j, first, first + int(amount * HZ)))
    elif cause == "angle-jump":
        spots = [(int(rng.integers(7)), int(rows * rng.uniform(0.2, 0.8)), rows)]
    elif cause == "payload":
        for a, b in _runs(p.hung > 0, 150 * HZ):
            held = p.hung[a]
            same = a + int(np.argmin(np.append(p.hung[a:b] == held, False)))
            if same - a > 150 * HZ and moving[a:same, 1].sum() > 20 * HZ:
                spots.append((1, a, same))
    if not spots:
        return None
    j, first, last = spots[int(rng.integers(len(spots)))]
    return Fault(cause, size, j, first, last, amount, int(rng.choice([-1, 1])), float(rng.random()))


def find(cause: str, size: str, minutes: float, rng: np.random.Generator) -> tuple[Plan, Fault]:
    """Plan sessions until one gives the fault a place to show."""
    for _ in range(500):
        p = plan(rng, minutes, loaded=cause == "payload" or rng.random() < 0.4)
        fault = place(p, cause, size, rng)
        if fault is not None:
            return p, fault
    raise ValueError(f"no place for {cause} in {minutes:.1f} minutes: make sessions longer")


def _runs(mask: NDArray[np.bool_], least: int) -> list[tuple[int, int]]:
    """Return (first, past the last) of the runs of True that are long enough."""
    edge = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in zip(edge[::2], edge[1::2], strict=True) if b - a >= least]
