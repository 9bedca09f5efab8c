"""By which share what a payload asks for is off, from payload to payload."""

from __future__ import annotations

import numpy as np

from replay.models.residuals import Floats
from replay.models.units.unit_rows import UnitRows
from replay.settings import setting

FEWEST_ENERGY = 100.0
"""Of a payload's own current squared over the noise: less tells no share, whatever its colour."""


def carried_share(
    rows: list[UnitRows],
    held: list[Floats],
    weights: list[Floats],
    torque_a: float,
    good: list[int],
) -> float:
    """Return by which share what a payload asks for was off, from payload to payload.

    A workpiece is not gripped in its centre of mass, nor weighed: one error for as long as
    it is carried, which no averaging over that time takes away.
    """
    off: list[float] = []
    for k in good:
        mine = torque_a * rows[k].carried_nm
        for mass in np.unique(rows[k].mass_kg[rows[k].mass_kg > 0]):
            at = rows[k].mass_kg == mass
            energy = float(np.sum(weights[k][at] * mine[at] ** 2))
            if energy > FEWEST_ENERGY:
                off.append(float(np.sum(weights[k][at] * mine[at] * held[k][at])) / energy)
    if len(off) < 4:
        return 0.5 * setting("misfit_share")
    return float(np.clip(np.sqrt(np.mean(np.square(off))), 0.0, 0.3))
