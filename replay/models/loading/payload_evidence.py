"""What each joint says of a load that no column declares."""

from __future__ import annotations

import numpy as np

from replay.models.conditions import conditions, usable
from replay.models.grid.blocks import SessionBlocks
from replay.models.joint_residuals import breakaway, misfit
from replay.models.loading.loads import (
    Loads,
    lasting,
    swing,
)
from replay.models.loading.payload import Evidence
from replay.models.residuals import (
    RESTING,
    SLIDING,
    Flags,
)
from replay.models.units.joint_unit import UnitModel, levels, predict, variance_terms


def evidence_of(
    unit: UnitModel, blocks: SessionBlocks, joint: str, loads: Loads, all_rest: Flags
) -> Evidence:
    """Return what a joint says of the mass: sliding, or stuck while the whole arm rests.

    At rest only what stands through seconds counts, gravity: accelerations of an arm
    that swings in its structure are no rigid body's.
    """
    mine, fine = blocks.joints[joint], blocks.fineness[joint]
    n = len(blocks)
    whole = []
    usual = unit.payload_scale_kg
    for kg in (0.0, usual):
        at = conditions(blocks, joint, loads, np.full(n, kg), unit.fast_deg_s, unit.reference_c)
        whole.append((at, predict(unit, at)))
    rest = mine.state == RESTING
    variances = []
    for at, parts in whole:
        terms = variance_terms(unit, parts, at, fine, loads.noise[joint], swing(at.torque_nm))
        moving = unit.noise.variance(terms) + misfit(unit, parts)
        variances.append(np.where(rest, unit.rest_noise.variance(terms), moving))
    grows = np.sqrt(np.maximum(variances[1] - variances[0], 0)) / usual
    at, parts = whole[0]
    sliding = (mine.state == SLIDING) & usable(mine, at)
    resting = (mine.state == RESTING) & usable(mine, at) & all_rest
    torque_a = unit.coefficient("torque") * lasting(at.torque_nm)
    limit = np.where(resting, breakaway(unit, levels(unit, at)), 0.0)
    residual = np.where(
        resting, mine.current_a - unit.bias_a - torque_a, mine.current_a - parts.whole
    )
    slope = np.where(
        resting,
        unit.coefficient("torque") * lasting(loads.per_kg[joint]),
        np.nan_to_num(whole[1][1].whole - parts.whole) / usual,
    )
    return Evidence(
        np.nan_to_num(residual),
        slope,
        np.sqrt(variances[0]),
        grows,
        limit,
        sliding | resting,
    )
