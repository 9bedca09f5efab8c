"""How warm the gantry pacer's coils, housings and grease get, and what that does to its drives.

Three masses a joint: copper (some four minutes), housing and grease (most of an hour). Grease that
has stood still is stiffer by an eighth until a radian or so has churned it.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.plants.gantry_pacer_crew import HZ

Array = np.ndarray[Any, Any]

OHM = np.array([0.7, 0.45, 0.4, 0.4, 0.4, 0.45, 0.7])
MAGNET_K, THIN_K, BASE_C = 0.0012, 0.028, 10.0
COIL_J_K, CASE_J_K, GREASE_J_K = 260.0, 5500.0, 4500.0
COIL_K_W, GREASE_K_W, HALL_K_W, FAR_K_W = 0.9, 1.5, 0.7, 1.5
CHURN_RAD, SETTLE_S, STIFFER = 1.2, 2500.0, 0.12


class Warmth:
    """The temperatures of many sessions' joints, (n, 7), °C."""

    def __init__(self, warm: Array, hall: Array) -> None:
        self.coil, self.case, self.grease = warm.copy(), warm.copy(), warm.copy()
        self.hall, self.stiff = hall, np.ones_like(warm)

    def magnet(self) -> Array:
        """Return the share of torque per ampere that is left."""
        return 1 - MAGNET_K * (self.coil - 20.0)

    def thickness(self) -> Array:
        """Return how thick the grease is, against churned grease at 10 °C."""
        return np.exp(-THIN_K * (self.grease - BASE_C)) * (1 + STIFFER * self.stiff)

    def pass_tick(self, amps: Array, rubbed_w: Array, rate: Array) -> None:
        """Let one tick go by."""
        out = (self.coil - self.case) / COIL_K_W
        across = (self.grease - self.case) / GREASE_K_W
        lost = (self.grease - self.hall) / FAR_K_W
        self.coil += (OHM * amps**2 - out) / COIL_J_K / HZ
        cooled = (self.case - self.hall) / HALL_K_W
        self.case += (out + 0.3 * rubbed_w + across - cooled) / CASE_J_K / HZ
        self.grease += (0.7 * rubbed_w - across - lost) / GREASE_J_K / HZ
        self.stiff += (-self.stiff * np.abs(rate) / CHURN_RAD + (1 - self.stiff) / SETTLE_S) / HZ
