"""The thirteen faults of the rafter hand: where in a plan each can happen, and how large.

Large is seen by any attentive engineer at once, middling by one who looks for it, small is
about what somebody who knew all parameters could still tell from noise in one session.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.plants.rafter_hand_body import PITCH, Array, Bodies
from tests.plants.rafter_hand_crew import HZ, Plan

SIZES = ("large", "middling", "small")
CAUSES: dict[str, tuple[str, tuple[float, float, float]]] = {
    "friction-step": ("friction", (1.0, 0.38, 0.13)),
    "friction-growth": ("friction", (1.3, 0.5, 0.2)),
    "brake-drag": ("brake-drag", (1.0, 0.4, 0.14)),
    "brake-slip": ("brake-slip", (3.0, 0.5, 0.1)),
    "late-release": ("late-release", (1.6, 0.7, 0.25)),
    "late-release-lying": ("late-release", (1.6, 0.7, 0.25)),
    "stick-slip": ("stick-slip", (1.0, 0.4, 0.1)),
    "blocked": ("stall", (4.0, 1.0, 0.24)),
    "current-offset": ("current-sensor", (1.2, 0.4, 0.12)),
    "current-gain": ("current-sensor", (0.35, 0.12, 0.04)),
    "angle-jump": ("angle-sensor", (2.5, 0.4, 0.05)),
    "angle-stuck": ("angle-sensor", (10.0, 2.0, 0.35)),
    "payload": ("load", (7.0, 2.0, 0.35)),
}
"""Kind, and the three sizes: shares of the unit's friction, degrees of slip and jump, seconds
(lying: beyond the start of the motion), A, share, degrees, seconds, kg."""
SETTLE_ROWS = 8
"""What a hindered joint needs to catch up after the cause is gone."""


@dataclass(frozen=True)
class Fault:
    """One fault; the joint is counted from the base, rows of the recorder's clock."""

    cause: str
    size: str
    joint: int
    first: int
    last: int
    value: float
    extra_s: float = 0.0
    """Delay that a late release adds to its own."""

    @property
    def kind(self) -> str:
        """Return the word of the truth file."""
        return CAUSES[self.cause][0]


def spans(on: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return runs of true, [first, last)."""
    edge = np.diff(np.concatenate([[0], on.astype(np.int8), [0]]))
    return list(zip(np.flatnonzero(edge == 1).tolist(), np.flatnonzero(edge == -1).tolist(),
                    strict=True))  # fmt: skip


def holding_nm(plan: Plan, base_b: bool, rows: list[int]) -> Array:
    """Return the torques that hold the arm where it is meant to be in these rows."""
    body = Bodies(np.full(len(rows), base_b))
    body.place(np.radians(plan.place_deg[rows]))
    links, per_kg = body.hold()
    return links + per_kg * plan.hung_kg[rows, None]


def choose(
    cause: str, size: str, plan: Plan, base_b: bool, rng: np.random.Generator
) -> Fault | None:
    """Return a fault that this plan gives an occasion for, or None."""
    value = CAUSES[cause][1][SIZES.index(size)]
    rows = len(plan.mode)
    for j in rng.permutation(7):
        found = _at(cause, value, plan, base_b, int(j), rng)
        if found is not None:
            first, last, value, extra = found
            return Fault(cause, size, int(j), first, min(last, rows - 1), value, extra)
    return None


def _at(
    cause: str, value: float, plan: Plan, base_b: bool, j: int, rng: np.random.Generator
) -> tuple[int, int, float, float] | None:
    rows, rate = len(plan.mode), np.abs(plan.asked_deg_s[:, j])
    early = int(0.1 * rows)
    seconds = round(value * HZ)
    if cause in {"friction-step", "friction-growth", "stick-slip", "current-offset",
                 "current-gain", "angle-jump"}:  # fmt: skip
        first = int(rng.uniform(0.25, 0.6) * rows)
        if cause == "friction-growth":
            first = int(rng.uniform(0.1, 0.3) * rows)
        last = rows - 1
        if cause.startswith("current"):
            last = first + int(rng.uniform(0.2, 0.35) * rows)
            value *= 1 if cause == "current-gain" else rng.choice([-1, 1])
        if cause == "angle-jump":
            value *= rng.choice([-1, 1])
            near = [f for f, e in spans(rate > 1.0) if f > first and e - f > 15]
            first = near[0] + 7 if near else first
        return (first, last, value, 0.0) if rate[first:last].sum() / HZ > 120 else None
    if cause == "brake-drag":
        ok = [(f, e) for f, e in spans(plan.free[:, j])
              if f > early and (rate[f:e] > 0.8).sum() > 80 and e - f < 0.5 * rows]  # fmt: skip
    elif cause == "brake-slip":
        ok = [(f + 10, e) for f, e in spans(~plan.free[:, j])
              if f > early and e - f > 60 and e < rows - 60]  # fmt: skip
        if not PITCH[j] or not ok:
            return None
        held = np.abs(holding_nm(plan, base_b, [f for f, _ in ok])[:, j])
        ok = [(f + int(rng.integers(10)), f + 10) for (f, _), h in zip(ok, held, strict=True)
              if h > 140]  # fmt: skip
        ok = [(f, f + 12 + round(8 * value)) for f, _ in ok]
    elif cause.startswith("late-release"):
        ok = []
        for f, e in spans(plan.free[:, j]):
            moves = np.flatnonzero(rate[f:e] > 0.5)
            if (
                f > early
                and moves.size
                and moves[0] < 17
                and (rate[f + moves[0] :][:40] > 0.5).all()
            ):
                wait = moves[0] / HZ if cause.endswith("lying") else 0.0
                ok.append((f, f + round((wait + value) * HZ) + SETTLE_ROWS))
    elif cause == "blocked":
        ok = [(f + 14, f + 14 + seconds + SETTLE_ROWS) for f, e in spans(rate > 2.5)
              if f > early and e - f > 40]  # fmt: skip
    elif cause == "angle-stuck":
        ok = [(f + 4, f + 4 + seconds) for f, e in spans(rate > 1.5)
              if f > early and e - f > min(seconds + 6, 45)]  # fmt: skip
    else:
        said = spans(plan.said_kg > 0)
        off = np.flatnonzero(plan.hung_kg <= 0)
        ok = [(int(off[off < f].max()) + 1, e) for f, e in said
              if f > early and (rate[f:e] > 0.5).sum() > 60]  # fmt: skip
        if not PITCH[j] or not ok:
            return None
        f, e = ok[int(rng.integers(len(ok)))]
        here = [f + (e - f) * k // 12 for k in range(12)]
        body = Bodies(np.full(12, base_b))
        body.place(np.radians(plan.place_deg[here]))
        most = int(np.argmax(np.abs(body.hold()[1]).mean(axis=0)))
        sign = -1 if plan.said_kg[e - 1] > 1.3 * value and rng.random() < 0.5 else 1
        return (f, e, sign * value, 0.0) if most == j else None
    if not ok:
        return None
    first, last = ok[int(rng.integers(len(ok)))]
    extra = value
    if cause == "late-release-lying":
        extra += (last - SETTLE_ROWS - first) / HZ - value
    return first, last, value, extra if cause.startswith("late") else 0.0


def events(f: Fault, coulomb_nm: float) -> list[tuple[int, str, float]]:
    """Return (row, quantity, value) of what changes in the drive; sensors are the recorder's."""
    if f.cause == "friction-step":
        return [(f.first, "more", f.value)]
    if f.cause == "friction-growth":
        return [(f.first, "growth", f.value / (f.last - f.first)), (f.last, "growth", 0.0)]
    if f.cause == "brake-drag":
        return [(f.first, "drag", f.value * coulomb_nm), (f.last, "drag", 0.0)]
    if f.cause == "brake-slip":
        rate = np.radians(f.value) / ((f.last - f.first) / HZ)
        return [(f.first, "slip", float(rate)), (f.last, "slip", 0.0)]
    if f.cause == "stick-slip":
        return [(f.first, "chatter", f.value)]
    if f.cause == "blocked":
        return [(f.first, "jam", 1.0), (f.last - SETTLE_ROWS, "jam", 0.0)]
    return []
