"""The gantry pacer's drives, 250 steps a second, many sessions side by side.

Everything turns at the link's scale. Motor and link are two masses with backlash and a spring
between; friction is a LuGre bristle (Canudas de Wit et al., IEEE Trans. Autom. Control 40, 1995)
whose level has a plain part, a part in the torque carried that differs forward and backward
(worm: 0.62 and 0.38 efficient; planetary: 0.86 and 0.85), and a viscous part that thins with the
grease's warmth and thickens with load. Figures: common practice, no source, unless said.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.plants.gantry_pacer_body import Body, built
from tests.plants.gantry_pacer_crew import HZ, VMAX, Mission, wander

Array = np.ndarray[Any, Any]

SUB = 10
DT = 1 / (HZ * SUB)
EACH = 5
"""Ticks between two looks at the posture; between, its torques run on in a line."""
GEAR = np.array([600.0, 1300.0, 1200.0, 1000.0, 1200.0, 1300.0, 600.0])
KT = np.array([0.10, 0.16, 0.16, 0.16, 0.16, 0.16, 0.10])
ROTOR = np.array([2.0, 3.2, 4.2, 4.2, 4.2, 3.2, 2.0]) * 1e-4
LIMIT_A = np.array([12.0, 24.0, 22.0, 20.0, 22.0, 24.0, 12.0])
BRAKE_NM = np.array([600.0, 3200.0, 4200.0, 3000.0, 4200.0, 3200.0, 600.0])
FORWARD = 1 / np.array([0.88, 0.62, 0.86, 0.86, 0.86, 0.62, 0.88]) - 1
BACKWARD = 1 - np.array([0.87, 0.38, 0.85, 0.85, 0.85, 0.38, 0.87])
PLAIN_NM = np.array([34.0, 85.0, 90.0, 62.0, 90.0, 85.0, 34.0])
THICK_NM = np.array([30.0, 62.0, 72.0, 48.0, 72.0, 62.0, 30.0])
"""Viscous torque at full rate, grease at 10 °C."""
TEETH = np.array([72.0, 48.0, 84.0, 72.0, 84.0, 48.0, 72.0])
SPRING = np.array([3.0, 7.0, 10.0, 8.0, 10.0, 7.0, 3.0]) * 1e5
GAP = np.deg2rad(np.array([3.0, 5.0, 2.5, 2.5, 2.5, 5.0, 3.0]) / 60)
J = GEAR**2 * ROTOR
RUB_NM = PLAIN_NM + 0.6 * THICK_NM
BRISTLE = PLAIN_NM / 1.0e-4
VM = np.deg2rad(VMAX)


@dataclass
class Unit:
    """What this arm's seven drives are, unlike the plate."""

    body: Body
    kt: Array
    plain: Array
    thick: Array
    carried: Array
    wave: Array
    phase: Array
    gain: Array
    bias_a: Array


def make_unit(seed: int) -> Unit:
    """Return the arm of a campaign."""
    g = np.random.default_rng([seed, 3])
    return Unit(
        built(seed), KT * (1 + g.normal(0, 0.012, 7)), PLAIN_NM * np.exp(g.normal(0, 0.10, 7)),
        THICK_NM * np.exp(g.normal(0, 0.10, 7)), np.exp(g.normal(0, 0.05, 7)),
        g.uniform(0.01, 0.035, 7), g.uniform(0, 6.28, (3, 7)), 1 + g.normal(0, 0.006, 7),
        g.normal(0, 0.02, 7),
    )  # fmt: skip


@dataclass
class Day:
    """What differs from session to session, rows of (n, 7)."""

    plain: Array
    thick: Array
    carried: Array
    warm: Array


def day_of(m: Mission, unit: Unit) -> Day:
    """Return a session's own friction: run-in over weeks, wear over the year, and scatter."""
    g = np.random.default_rng([m.seed, 4])
    age = 1 + 0.12 * np.exp(-m.days / 70) + 0.03 * m.days / 365
    return Day(
        unit.plain * age * np.exp(g.normal(0, 0.02, 7)),
        unit.thick * np.exp(g.normal(0, 0.03, 7)),
        unit.carried * np.exp(g.normal(0, 0.012, 7)),
        m.hall_c + g.uniform(0, 5) + g.uniform(0, 2, 7),
    )


def pushes(m: Mission) -> Array:
    """Return (ticks, 4): a person's pull down on the tip and sideways pushes, N."""
    g = np.random.default_rng([m.seed, 6])
    force = np.stack([wander(g, m.ticks, 2.5, s) for s in (45.0, 18.0, 18.0, 10.0)], axis=1)
    force[:, 0] += 120.0
    return force * m.person[:, None]


def padded(rows: list[Array], fill: Any) -> Array:
    """Return sessions' columns side by side, (ticks, n, ...), the shorter ones filled up."""
    ticks = max(len(r) for r in rows)
    out = np.full((ticks, len(rows), *rows[0].shape[1:]), fill, dtype=rows[0].dtype)
    for k, r in enumerate(rows):
        out[: len(r), k] = r
    return out
