"""What a unit does beside sliding: its drive's law, breakaway, currents at rest."""

from __future__ import annotations

from typing import Any

import numpy as np

from replay.models.conditions import conditions, usable
from replay.models.loading.loads import swing
from replay.models.residuals import (
    RESTING,
    Floats,
)
from replay.models.units.joint_unit import UnitModel, levels, predict, variance_terms
from replay.models.units.servo import ServoLaw, fit_servo, servo_columns
from replay.models.units.unit_rows import (
    MOST_ROWS,
    Case,
    pick,
)
from replay.models.units.variance import fit_noise


def drive_of(cases: list[Case], folds: Floats, floor: float, aside: Floats) -> ServoLaw | None:
    """Return the drive's law by whichever of the brake's words enables it."""
    found = []
    for asked in (False, True):
        xs, ys, which = [], [], []
        for case, fold, gone in zip(cases, folds, aside, strict=True):
            if gone:
                continue
            x, ok = servo_columns(case.mine, case.blocks.step_s, asked=asked)
            rows = np.flatnonzero(ok & np.isfinite(case.mine.current_a))
            if len(rows) > MOST_ROWS:
                rows = rows[:: -(-len(rows) // MOST_ROWS)]
            if len(rows) > 20:
                xs.append(x[rows])
                ys.append(case.mine.current_a[rows])
                which.append(fold)
        if len(xs) > 1:
            law = fit_servo(xs, ys, np.array(which), floor, asked=asked)
            if law is not None:
                found.append(law)
    return max(found, key=lambda law: law.share) if found else None


def rest_of(unit: UnitModel, cases: list[Case], aside: Floats) -> dict[str, Any]:
    """Return breakaway as most rest rows keep it, and how far beyond it currents go."""
    off, squares, terms = [], [], []
    level = abs(unit.coefficient("sign"))
    seen = []
    for case, gone in zip(cases, aside, strict=True):
        if gone:
            continue
        at = conditions(
            case.blocks,
            case.joint,
            case.loads,
            case.payload.mass_kg,
            unit.fast_deg_s,
            unit.reference_c,
        )
        rows = np.flatnonzero((case.mine.state == RESTING) & usable(case.mine, at))
        if len(rows) > 10:
            wobble = swing(at.torque_nm)[rows]
            at = pick(at, rows)
            load = unit.coefficient("torque") * at.torque_nm
            still = np.abs(case.mine.current_a[rows] - unit.bias_a - load)
            off.append(np.quantile(still, 0.95))
            noise_nm = case.loads.noise[case.joint][rows]
            terms.append(variance_terms(unit, predict(unit, at), at, case.fine, noise_nm, wobble))
            seen.append((still, levels(unit, at)))
    breakaway = max(float(np.median(off)) if off else 0.0, level)
    for still, own in seen:
        limit = breakaway * (np.maximum(own / level, 0.3) if level > 0 else 1.0)
        squares.append(np.maximum(still - limit, 0) ** 2)
    floor = max((0.1 * breakaway) ** 2, unit.held_sd_a**2)
    noise = unit.rest_noise
    if squares:
        noise = fit_noise(np.concatenate(squares), np.concatenate(terms), floor)
    return {"breakaway_a": breakaway, "rest_noise": noise}
