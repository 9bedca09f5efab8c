"""Thirteen faults of Larkspur in three sizes, where they may sit, and what they do to the physics.

Sizes are ours, against what the healthy arm does in its own plots: a large one is plain in a raw
plot, a middling one beside a similar motion, a small one takes statistics. Faults of sensors are
made by the recorder; all others change the arm itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.plants.deck_reacher_crew import Fault, Mission
from tests.plants.deck_reacher_hands import HZ, VMAX

Array = np.ndarray[Any, Any]

SIZES = ("large", "middling", "small")
# cause, kind, and the three sizes
_TABLE = """
bearing-step friction 1.0 0.45 0.2; grease-loss friction 1.2 0.6 0.28
brake-rub brake-drag 1.3 0.55 0.22; brake-creep brake-slip 2.0 0.4 0.06
slow-brake late-release 0.6 0.25 0.1; slow-brake-unsaid late-release 1.0 0.6 0.4
sticking stick-slip 0.4 0.2 0.1; jam stall 4.0 1.0 0.35
shunt-offset current-sensor 0.3 0.12 0.04; shunt-gain current-sensor 0.35 0.15 0.07
resolver-jump angle-sensor 2.0 0.4 0.08; resolver-freeze angle-sensor 4.0 1.2 0.35
undeclared-load load 30 14 6"""
_ROWS = [row.split() for row in _TABLE.replace("\n", ";").split(";") if row]
KINDS = {r[0]: (r[1], tuple(float(x) for x in r[2:])) for r in _ROWS}
"""Friction: share of this joint's own, at the end of a growth. Rub: share of a usual friction.
Creep, jump, and travel of each stick: degrees. Delays, jam, freeze: seconds. Offset: share of the
usual current in motion; gain: share. Load: kg."""
CAUSES = tuple(KINDS)
LUFF = 1


def place_fault(m: Mission, cause: str, size: str, seed: int) -> Fault | None:
    """Return where the fault can sit in this session; None where nothing would show it."""
    g = np.random.default_rng([seed, 9])
    amount = KINDS[cause][1][SIZES.index(size)]
    spots = [s for s in _spots(m, cause, amount, g) if s[1] < s[2] <= m.ticks]
    if not spots:
        return None
    joint, start, end = spots[int(g.integers(len(spots)))]
    return Fault(cause, size, joint, int(start), int(end), amount, float(g.choice([-1, 1])))


def _spots(m: Mission, cause: str, amount: float, g: np.random.Generator) -> list[tuple]:
    if cause in ("bearing-step", "grease-loss"):
        start = int(m.ticks * g.uniform(0.2, 0.5))
        need = 15 if cause == "bearing-step" else 25
        later = [(m.cmd[start:, k] * way > 0).sum() for k in range(7) for way in (-1, 1)]
        ready = np.array(later).reshape(7, 2).min(axis=1) > need * HZ
        return [(k, start, m.ticks) for k in np.flatnonzero(ready)]
    if cause in ("shunt-offset", "shunt-gain", "brake-rub"):
        return [s for k in range(7) for s in _worked(m, k, cause == "brake-rub", g)]
    if cause == "sticking":
        return [s for k in range(7) for s in _slow(m, k)]
    if cause == "undeclared-load":
        return _carried(m)
    if cause == "resolver-jump":
        start = int(m.ticks * g.uniform(0.15, 0.85))
        return [(k, start, start + 10 * HZ) for k in range(7)]
    if cause == "brake-creep":
        held = [(k, a, b) for k in range(1, 6) for a, b in _runs(m.brake[:, k])]
        roomy = [(k, a + (b - a) // 3) for k, a, b in held if b - a > 40 * HZ]
        return [(k, a, a + int(HZ * g.uniform(0.6, 3.0))) for k, a in roomy]
    if cause in ("jam", "resolver-freeze"):
        out, ticks = [], int(amount * HZ)
        for k in range(7):
            share = np.abs(m.cmd[:, k]) / VMAX[k]
            low, high = (0.2, 1.0) if cause == "jam" else (0.05, 0.2 if amount < 1 else 1.0)
            for a, b in _runs((share > low) & (share < high)):
                if b - a > ticks + HZ:
                    start = int(g.integers(a + HZ // 2, b - ticks - HZ // 4))
                    out.append((k, start, start + ticks))
        return out
    return [s for k in range(7) for s in _released(m, k, cause, amount)]


def _runs(mask: Array) -> list[tuple[int, int]]:
    edge = np.flatnonzero(np.diff(np.r_[0, mask.astype(int), 0]))
    return [(int(a), int(b)) for a, b in edge.reshape(-1, 2)]


def _worked(m: Mission, k: int, by_release: bool, g: np.random.Generator) -> list[tuple]:
    """Return spans of some minutes in which the joint moves long enough."""
    free = _runs(~m.brake[:, k])
    starts = [a for a, _ in free] if by_release else list(range(60 * HZ, m.ticks, 60 * HZ))
    out = []
    for a in starts:
        b = a + int(HZ * 60 * g.uniform(3, 6))
        if by_release:  # up to where the brake next holds, in that span
            b = max([e for _, e in free if a < e <= b], default=a)
        if b < m.ticks - HZ and (m.cmd[a:b, k] != 0).sum() > 25 * HZ:
            out.append((k, a, b))
    return out


def _slow(m: Mission, k: int) -> list[tuple]:
    share = np.abs(m.cmd[:, k]) / VMAX[k]
    slow = [(a, b) for a, b in _runs((share > 0) & (share < 0.2)) if b - a > HZ]
    out = []
    for i, (a, _) in enumerate(slow):
        within = [(c, d) for c, d in slow[i:] if d < a + 150 * HZ]
        if len(within) >= 2 and sum(d - c for c, d in within) > 8 * HZ:
            out.append((k, a, within[-1][1]))
    return out


def _carried(m: Mission) -> list[tuple]:
    out = []
    for a, b in _runs(m.load > 1.0):
        alive = ~m.brake[a:b, LUFF]
        moved = (m.cmd[a:b, [LUFF, 3]] != 0).any(axis=1)
        if alive.sum() > 15 * HZ and moved.sum() > 12 * HZ and b < m.ticks - 6 * HZ:
            out.append((LUFF, a, b))
    return out


def _released(m: Mission, k: int, cause: str, amount: float) -> list[tuple]:
    """Return releases of one joint; unsaid ones only where the delay bites into a motion."""
    out = []
    for a, _ in _runs(~m.brake[:, k]):
        asked = np.flatnonzero(m.cmd[a : a + 5 * HZ, k])
        if a < 20 * HZ or not len(asked):
            continue
        lead = asked[0] / HZ
        if cause == "slow-brake" or lead < 0.05 + amount:
            out.append((k, a, a + int(HZ * (amount + 1.5))))
    return out


@dataclass
class Bench:
    """What the faults of many sessions do, by tick, session and joint."""

    rub: Array
    drag_nm: Array
    sticky: Array
    sticky_joint: Array
    static_nm: Array
    sliding_nm: Array
    extra_kg: Array
    creeps: list[tuple[int, int, int, int, float]]
    ways: dict[int, float]

    def creep(self, tick: int, wound_nm: Array) -> Array | float:
        """Return how far held rotors creep in this tick, the way their load pulls."""
        now = [c for c in self.creeps if c[2] <= tick < c[3]]
        if not now:
            return 0.0
        out = np.zeros_like(wound_nm)
        for k, j, start, end, amount in now:
            way = self.ways.setdefault(k, -float(np.sign(wound_nm[k, j])))
            out[k, j] = way * amount / (end - start)
        return out


def bench_for(missions: list[Mission], ticks: int, coulomb: Array, spring: Array) -> Bench:
    """Return the tables of all faults that sit in the arm."""
    s = len(missions)
    one, none = np.ones((ticks, s, 7), np.float32), np.zeros((ticks, s, 7), np.float32)
    flat = [np.zeros((ticks, s), np.float32) for _ in range(3)]
    b = Bench(one, none, np.zeros(ticks, bool), np.zeros(s, int), *flat, [], {})
    for k, m in enumerate(missions):
        f = m.fault
        if f is None:
            continue
        j, span = f.joint, slice(f.start, f.end)
        if f.cause == "bearing-step":
            b.rub[span, k, j] = 1 + f.amount
        elif f.cause == "grease-loss":
            b.rub[span, k, j] = 1 + f.amount * np.linspace(0, 1, f.end - f.start)
        elif f.cause == "brake-rub":
            b.drag_nm[span, k, j] = 1.4 * f.amount * coulomb[j]
        elif f.cause == "brake-creep":
            b.creeps.append((k, j, f.start, f.end, np.deg2rad(f.amount)))
        elif f.cause == "undeclared-load":
            way = f.sign if m.load[span].max() > f.amount + 2 else 1.0
            b.extra_kg[span, k] = way * f.amount * m.load[span] / m.load[span].max()
        elif f.cause in ("sticking", "jam"):
            b.sticky[span] = True
            b.sticky_joint[k] = j
            gap = np.deg2rad(f.amount) * spring[j] / 2
            b.static_nm[span, k], b.sliding_nm[span, k] = 1.25 * gap, 0.25 * gap
            if f.cause == "jam":
                b.static_nm[span, k] = b.sliding_nm[span, k] = 1e7
    return b
