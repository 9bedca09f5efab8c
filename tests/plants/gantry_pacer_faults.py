"""What goes wrong on the gantry pacer, how much of it, and where in a session it can be seen.

Frictions are shares of a joint's own unloaded rub, offsets shares of the current that it takes,
times in s, angles in degrees, loads in kg. A fault of large size is plain to an engineer who knows
what is normal, a middling one is seen with care, a small one is three to five of the healthy
standard deviations of a stroke's mean about what the law explains (0.04 of the rub at most
joints, 0.07 at the rolls: least squares over three-second means of 14 healthy sessions).
"""

from __future__ import annotations

import numpy as np

from tests.plants.gantry_pacer_brakes import edges
from tests.plants.gantry_pacer_crew import HZ, VMAX, Fault, Mission
from tests.plants.gantry_pacer_drive import GEAR, KT, RUB_NM

SIZES = ("large", "middling", "small")
KINDS = {
    "friction-step": ("friction", (0.9, 0.4, 0.18)),
    "friction-growth": ("friction", (1.2, 0.6, 0.28)),
    "brake-drag": ("brake-drag", (0.9, 0.4, 0.18)),
    "brake-slip": ("brake-slip", (1.5, 0.4, 0.12)),
    "late-release": ("late-release", (0.9, 0.45, 0.22)),
    "late-release-unsaid": ("late-release", (1.2, 0.7, 0.45)),
    "stick-slip": ("stick-slip", (1.6, 0.8, 0.3)),
    "blocked": ("stall", (6.5, 4.0, 2.0)),
    "current-offset": ("current-sensor", (0.9, 0.4, 0.18)),
    "current-gain": ("current-sensor", (0.4, 0.18, 0.08)),
    "current-dropout": ("current-sensor", (4.0, 1.0, 0.2)),
    "current-stuck": ("current-sensor", (8.0, 3.0, 1.0)),
    "angle-jump": ("angle-sensor", (1.5, 0.3, 0.08)),
    "angle-stuck": ("angle-sensor", (4.0, 1.2, 0.4)),
    "angle-drift": ("angle-sensor", (6.0, 1.5, 0.3)),
    "payload-wrong": ("load", (30.0, 18.0, 6.0)),
    "gap": ("gap", (60.0, 12.0, 3.0)),
}
CAUSES = tuple(KINDS)
LEFT_OUT = {
    "large": ("current-stuck", "angle-jump", "gap", "friction-growth"),
    "middling": ("current-dropout", "angle-stuck", "payload-wrong", "brake-slip"),
    "small": ("current-gain", "angle-drift", "blocked", "late-release"),
}
"""Of seventeen causes each size takes thirteen, and each cause comes twice at least."""
PAIRS = [(c, z) for z in SIZES for c in CAUSES if c not in LEFT_OUT[z]]

Place = tuple[int, int, int]


def place_fault(m: Mission, cause: str, size: str, seed: int) -> Fault | None:
    """Put a fault where it shows, or return None if this session has no such place."""
    g = np.random.default_rng([seed, 7])
    amount = KINDS[cause][1][SIZES.index(size)]
    places = [p for p in candidates(m, cause, amount, g) if 0 < p[1] < p[2] <= m.ticks]
    few = 0.3 if cause.startswith("friction") else 0.0
    places = [p for p in places if m.person[p[1] : p[2]].mean() <= few]
    if not places:
        return None
    joint, start, end = places[g.integers(len(places))]
    sign = float(g.choice([-1, 1]))
    if cause == "payload-wrong":
        m.said_load[start:end] = amount
        m.load[start:end] = amount * (1 + sign / 3)
    if cause == "current-offset":
        amount *= rub_a(joint)
    return Fault(cause, size, joint, start, end, amount, sign)


def rub_a(joint: int) -> float:
    """Return the current that a joint's unloaded rub takes."""
    return float(RUB_NM[joint] / (GEAR[joint] * KT[joint]))


def moving(m: Mission, joint: int, start: int, end: int) -> float:
    """Return for how many seconds a joint is pushed between two ticks."""
    return float((m.order[start:end, joint] != 0).sum() / HZ)


def candidates(m: Mission, cause: str, amount: float, g: np.random.Generator) -> list[Place]:
    """Return (joint, start, end) of all places where a cause would show."""
    family = cause.split("-")[0]
    if family == "friction":
        start = int(m.ticks * g.uniform(0.25, 0.5))
        places = [(k, start, m.ticks) for k in range(7)]
        return [p for p in places if moving(m, *p) > 60 and moving(m, p[0], 0, start) > 25]
    if cause in ("brake-drag", "brake-slip", "late-release", "late-release-unsaid"):
        return at_brakes(m, cause, amount, g)
    if family in ("stick", "blocked") or cause in (
        "current-dropout",
        "current-stuck",
        "angle-stuck",
    ):
        return in_strokes(m, cause, amount, g)
    if cause == "payload-wrong":
        return in_carries(m)
    start = int(m.ticks * g.uniform(0.2, 0.65))
    if cause == "gap":
        return [(-1, start, start + round(amount * HZ))]
    if cause == "angle-jump":
        return [(k, start, start + 10 * HZ) for k in range(7)]
    end = start + int(HZ * g.uniform(90, 240))
    joints = range(1, 6) if cause == "current-gain" else range(7)
    return [(k, start, end) for k in joints if moving(m, k, start, end) > 25]


def at_brakes(m: Mission, cause: str, amount: float, g: np.random.Generator) -> list[Place]:
    """Return places that begin or lie between a brake's orders."""
    out = []
    for k in range(7):
        free, close = edges(m.shut[:, k])
        for tick in free:
            end = int(close[close > tick][0]) if (close > tick).any() else m.ticks
            begins = [a for joint, a, _, _ in m.strokes if joint == k and tick < a < end]
            first = min(begins, default=m.ticks)
            quick = [s for s in m.strokes if s[0] == k and s[1] == first]
            brisk = bool(quick) and abs(quick[0][3]) > 0.2 * VMAX[k]
            if cause == "brake-drag" and moving(m, k, tick, end) > 15:
                out.append((k, int(tick), end))
            elif cause == "late-release" and brisk and first - tick < 3 * HZ:
                out.append((k, int(tick), int(tick + (amount + 1.0) * HZ)))
            elif cause == "late-release-unsaid" and brisk and first - tick < 8 * HZ:
                out.append((k, int(tick), int(first + (amount + 0.5) * HZ)))
        if cause == "brake-slip" and 0 < k < 6:
            for tick in close:
                after = free[free > tick]
                end = int(after[0]) if len(after) else m.ticks
                if end - tick > 8 * HZ:
                    start = int(tick + HZ * g.uniform(2.5, 5))
                    out.append((k, start, start + int(HZ * g.uniform(0.8, 2.0))))
    return out


def in_strokes(m: Mission, cause: str, amount: float, g: np.random.Generator) -> list[Place]:
    """Return places within one stroke."""
    out = []
    for k, begin, end, speed in m.strokes:
        pace = abs(speed) / VMAX[k]
        if cause == "stick-slip":
            if pace < 0.1 and end - begin > 10 * HZ:
                out.append((k, begin, end))
            continue
        start = begin + int(HZ * g.uniform(1.2, 2.0))
        stop = start + round(amount * HZ)
        if pace > 0.22 and stop < end - HZ // 2:
            out.append((k, start, stop))
    return out


def in_carries(m: Mission) -> list[Place]:
    """Return carried stretches, each with the laden joint that moves most in it."""
    out = []
    for start, end in m.carries:
        if end - start < 60 * HZ or np.ptp(m.base_b[start:end].astype(int)):
            continue
        laden = (4, 3) if m.base_b[start] else (2, 3)
        joint = max(laden, key=lambda k: moving(m, k, start, end))
        if moving(m, joint, start, end) > 25:
            out.append((joint, start, end))
    return out
