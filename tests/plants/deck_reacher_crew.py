"""What the deck's crew does with Larkspur in a session, and when its brakes let go and hold.

A session is a chain of errands: a check of every joint before work, frames carried between
stations, a look at things with small movements, fine work, and idle waiting. Brakes let go some
tenths of a second before a joint is asked to move and come on when it has not been asked for a
while; how long that is, is a habit of the session.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from tests.plants.deck_reacher_hands import HZ, STATIONS, Shift

Array = np.ndarray[Any, Any]


@dataclass
class Fault:
    """One fault as planned: from ``start`` to ``end`` in ticks, on one joint."""

    cause: str
    size: str
    joint: int
    start: int
    end: int
    amount: float = 0.0
    sign: float = 1.0


@dataclass
class Mission:
    """One session as asked for, on a grid of 40 instants a second."""

    seed: int
    start: datetime
    cmd: Array
    """(ticks, 7) rad/s"""
    brake: Array
    """(ticks, 7): True where the brake is asked to hold."""
    load: Array
    said_load: Array
    pose: Array
    air_c: float
    rough: float
    role: str = "training"
    fault: Fault | None = None

    @property
    def ticks(self) -> int:
        """How many instants the session has."""
        return len(self.cmd)


def brakes_for(g: np.random.Generator, cmd: Array, live: list[tuple[int, int]]) -> Array:
    """Return where the brakes are asked to hold: off before a motion, on when idle for a while."""
    idle_s = g.choice([1.2, 4.0, 12.0, 30.0], p=[0.25, 0.35, 0.3, 0.1])
    ticks, free = len(cmd), np.zeros(cmd.shape, bool)
    for k in range(7):
        asked = np.flatnonzero(cmd[:, k])
        if not len(asked):
            continue
        cuts = np.flatnonzero(np.diff(asked) > HZ * (idle_s + 2.0))
        for a, b in zip(asked[np.r_[0, cuts + 1]], asked[np.r_[cuts, -1]], strict=True):
            lead = 0.32 + min(g.exponential(0.25), 1.5)
            free[max(1, a - int(HZ * lead)) : b + int(HZ * idle_s * g.uniform(0.97, 1.03)), k] = (
                True
            )
    for a, b in live:
        free[max(1, a) : b] = True
    free[ticks - 5 * HZ :] = False
    out: Array = ~free
    return out


def plan(seed: int, start: datetime, minutes: float, role: str) -> Mission:
    """Plan one session."""
    g = np.random.default_rng([seed, 2])
    ticks = int(minutes * 60 * HZ)
    shift = Shift(g, ticks)
    if g.random() < 0.5:
        shift.check_joints()
    while not shift.over:
        errand = g.choice(["carry", "look", "fine", "idle"], p=[0.45, 0.2, 0.25, 0.1])
        if errand == "carry":
            shift.carry()
        elif errand == "look":
            shift.look()
        elif errand == "fine":
            shift.go(shift.near(str(g.choice(list(STATIONS)))))
            if not shift.over:
                shift.fine()
        else:
            shift.wait(15.0, 60.0)
    cmd = np.deg2rad(shift.cmd)
    season = 11.0 - 8.0 * np.cos(2 * np.pi * (start.timetuple().tm_yday - 20) / 365)
    return Mission(
        seed=seed,
        start=start,
        cmd=cmd,
        brake=brakes_for(g, shift.cmd, shift.live),
        load=shift.load,
        said_load=shift.said,
        pose=np.deg2rad(shift.pose),
        air_c=season + g.normal(0, 2.5),
        rough=float(np.clip(g.lognormal(-0.25, 0.45), 0.3, 1.9)),
        role=role,
    )
