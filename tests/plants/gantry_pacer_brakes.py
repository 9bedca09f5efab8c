"""The gantry pacer's brakes: springs set them, a coil frees them, a switch at the disc reports.

A cold coil pulls sooner (its copper resists less) but stiff grease holds the armature longer, and
a sagging hall supply makes both slower; what is left is scatter: lognormal, and one release in
seventy sticks for twice its time. The word follows the disc by the switch's own 10 to 30 ms.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.plants.gantry_pacer_crew import HZ, Mission

Array = np.ndarray[Any, Any]

FINE = 5
"""Brake states a tick: 125 a second."""
RELEASE_S = np.array([0.10, 0.14, 0.15, 0.13, 0.15, 0.14, 0.10])
ENGAGE_S = np.array([0.05, 0.07, 0.08, 0.07, 0.08, 0.07, 0.05])
SCATTER, STICKY = 0.20, 1 / 70


def edges(shut: Array) -> tuple[Array, Array]:
    """Return the ticks at which one brake is told to free, and to set."""
    step = np.diff(shut.astype(int))
    return np.flatnonzero(step < 0) + 1, np.flatnonzero(step > 0) + 1


def schedule(m: Mission) -> tuple[Array, Array]:
    """Return whether each brake holds, (ticks * FINE, 7), and what its switch says, (ticks, 7)."""
    g = np.random.default_rng([m.seed, 5])
    f = m.fault
    count = m.ticks * FINE
    holds, says = np.ones((count, 7), bool), np.ones((count, 7), bool)
    slow = m.volts**-1.4 * (1 + 0.005 * (10 - m.hall_c))
    for k in range(7):
        free, close = edges(m.shut[:, k])
        for tick in free:
            wait = RELEASE_S[k] * slow * np.exp(g.normal(0, SCATTER))
            wait *= g.uniform(1.8, 2.6) if g.random() < STICKY else 1.0
            switch, after = g.uniform(0.01, 0.03, 2)
            late = word = tick / HZ + wait
            if f and f.joint == k and f.start == tick and f.cause == "late-release":
                late = word = word + f.amount
            if f and f.joint == k and f.start == tick and f.cause == "late-release-unsaid":
                pushed = tick + int(np.argmax(m.order[tick:, k] != 0))
                late = max(late, pushed / HZ + f.amount)
            back = close[close > tick]
            end = (back[0] if len(back) else m.ticks + HZ) / HZ
            end += ENGAGE_S[k] / m.volts * np.exp(g.normal(0, 1.2 * SCATTER))
            a, b = round(late * HZ * FINE), round(end * HZ * FINE)
            holds[a:b, k] = False
            says[round((word + switch) * HZ * FINE) : round((end + after) * HZ * FINE), k] = False
    return holds, says[::FINE]
