"""Sessions of one unit made ready for its fit: rows, scales, bias, priors."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from replay.models.conditions import conditions, usable
from replay.models.grid.blocks import (
    Fineness,
    JointBlocks,
    SessionBlocks,
)
from replay.models.loading.loads import Loads, swing
from replay.models.loading.payload import Payloads
from replay.models.residuals import (
    HELD,
    SLIDING,
    Floats,
    Index,
)
from replay.models.units.current import (
    DRAGS,
    Conditions,
)
from replay.models.units.variance import cells_of
from replay.settings import setting
from replay.statistics.spread import spread_about_zero

MOST_ROWS = 6000
"""Sliding blocks of a session that a fit uses."""


@dataclass(frozen=True, slots=True)
class Case:
    """One session of one unit, ready to be fitted."""

    index: int
    session: str
    joint: str
    blocks: SessionBlocks
    loads: Loads
    payload: Payloads

    @property
    def mine(self) -> JointBlocks:
        """The joint's own blocks."""
        return self.blocks.joints[self.joint]

    @property
    def fine(self) -> Fineness:
        """What its recorder resolves."""
        return self.blocks.fineness[self.joint]


@dataclass(frozen=True, slots=True)
class UnitRows:
    """One session's sliding rows of a unit."""

    at: Conditions
    y: Floats
    noise_nm: Floats
    swing_nm: Floats
    hours: float
    session: str
    carried_nm: Floats
    """What the payload alone asks for."""
    mass_kg: Floats


def pick(at: Conditions, rows: Index) -> Conditions:
    """Return some rows of conditions."""
    return Conditions(
        at.rate[rows],
        at.accel[rows],
        at.torque_nm[rows],
        {k: v[rows] for k, v in at.heat_k.items()},
        at.angle_deg[rows],
        None if at.drag_nm is None else (at.drag_nm[0][rows], at.drag_nm[1][rows]),
    )


def scales(cases: list[Case]) -> tuple[float, float, tuple[float, float], float]:
    """Return usual fast rate, reference temperature, its range, largest payload."""
    speeds, heats, masses = [], [], []
    for c in cases:
        moving = np.abs(c.mine.rate_deg_s[c.mine.state == SLIDING])
        if len(moving):
            speeds.append(np.quantile(moving, 0.95))
        heat = c.mine.temperature_c
        if np.isfinite(heat).any():
            heats.append((np.nanmedian(heat), np.nanmin(heat), np.nanmax(heat)))
        masses.append(float(np.nanmax(c.payload.mass_kg, initial=0.0)))
    fast = float(np.max(speeds)) if speeds else 1.0
    if heats:
        table = np.array(heats)
        span = (float(table[:, 1].min()), float(table[:, 2].max()))
        return max(fast, 1e-6), float(np.median(table[:, 0])), span, max(max(masses), 1e-9)
    nothing = (float("nan"), float("nan"))
    return max(fast, 1e-6), 20.0, nothing, max(max(masses), 1e-9)


def bias_of(cases: list[Case]) -> tuple[float, float, float]:
    """Return the current of the held joint, its error, and its spread from row to row."""
    middles, spreads = [], []
    for c in cases:
        held = c.mine.current_a[(c.mine.state == HELD) & np.isfinite(c.mine.current_a)]
        if len(held) >= 10:
            middles.append(float(np.median(held)))
            spreads.append(spread_about_zero(held - np.median(held)))
    if not middles:
        usual = float(np.median([c.fine.current_noise_a for c in cases]))
        return 0.0, float("inf"), usual
    middle = float(np.median(middles))
    between = spread_about_zero(np.array(middles) - middle)
    fine = float(np.median([c.fine.current_resolution_a for c in cases]))
    spread = max(float(np.median(spreads)), between, fine / 4, 1e-9)
    return middle, max(between, fine / 4) / np.sqrt(len(middles)), spread


def sliding_rows(case: Case, fast: float, reference: float) -> UnitRows:
    """Return a session's sliding rows whose load is known."""
    at = conditions(case.blocks, case.joint, case.loads, case.payload.mass_kg, fast, reference)
    sure = case.payload.sd_kg <= 0.1 * max(float(case.payload.mass_kg.max(initial=0.0)), 1e-9)
    rows = np.flatnonzero((case.mine.state == SLIDING) & usable(case.mine, at) & sure)
    hours = np.isfinite(case.mine.current_a).sum() * case.blocks.step_s / 3600
    if len(rows) > MOST_ROWS:
        rows = rows[:: -(-len(rows) // MOST_ROWS)]
    return UnitRows(
        pick(at, rows),
        case.mine.current_a[rows],
        case.loads.noise[case.joint][rows],
        swing(at.torque_nm)[rows],
        float(hours),
        case.session,
        np.nan_to_num(case.loads.per_kg[case.joint][rows] * case.payload.mass_kg[rows]),
        case.payload.mass_kg[rows],
    )


def lags_told(rows: list[UnitRows]) -> tuple[float, ...]:
    """Return the sensor's lags that training can tell from none.

    A lead, lag times dT/dt, that hardly varies over training is a constant beside the
    temperature: it would be fitted by chance and be wrong wherever the slope is another.
    """
    told = []
    for lag in rows[0].at.heat_k if rows else ():
        lead = np.concatenate([r.at.heat_k[lag] - r.at.heat_k[0.0] for r in rows])
        if lag == 0 or (
            lead.size and spread_about_zero(lead - np.median(lead)) > abs(np.median(lead))
        ):
            told.append(lag)
    return tuple(told)


def priors(
    rows: list[UnitRows], level: float, bias: float, bias_sd: float
) -> tuple[dict[str, float], Callable[[str], float]]:
    """Return prior means by column, and a function that gives prior standard deviations."""
    torque = np.concatenate([r.at.torque_nm for r in rows])
    accel = np.concatenate([r.at.accel for r in rows])
    nm = max(float(np.sqrt(np.mean(torque**2))), 1e-9)
    push = max(float(np.sqrt(np.mean(accel**2))), 1e-9)
    share = setting("prior_temperature") * 10
    table = {
        "bias": max(bias_sd, 1e-3 * level) if np.isfinite(bias_sd) else level,
        "torque": 10 * level / nm,
        "accel": 3 * level / push,
        "load": 0.3 * level / nm,
        "warm torque": share * level / nm,
        "asymmetry": 0.12 * level,
        "asymmetric rate": 0.3 * level,
    }
    for k, name in enumerate(DRAGS):
        asked = [r.at.drag_nm[k] for r in rows if r.at.drag_nm is not None]
        usual = float(np.sqrt(np.mean(np.concatenate(asked) ** 2))) if asked else 0.0
        table[name] = 10 * level / max(usual, 1e-9)

    def sd(name: str) -> float:
        if name in table:
            return float(table[name])
        if name.startswith("heat"):
            return 2 * share * level
        return 3 * level

    return {"bias": bias}, sd


def cells(rows: UnitRows, case: Case, payload_scale: float) -> Floats:
    """Return the cells of temperature, rate and payload that rows stand in."""
    heat = rows.at.heat_k[0.0]
    mass = np.full(len(heat), float(np.nanmedian(case.payload.mass_kg)) / payload_scale)
    return cells_of(heat, rows.at.rate, mass)
