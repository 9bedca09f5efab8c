"""What a baseline knows of a unit, in the field's terms, with units and uncertainties."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from replay.models.residuals import Floats
from replay.models.units.current import LAGS_S, Conditions, design
from replay.models.units.joint_unit import FRICTION, VISCOUS, UnitModel, members


@dataclass(frozen=True, slots=True)
class Fact:
    """One figure of a unit: what, value, standard error (NaN: none), unit."""

    what: str
    value: float
    error: float
    unit: str


def facts_of(unit: UnitModel) -> list[Fact]:
    """Return a unit's figures: friction, load, bias, drive, noise.

    Friction is told as the current that steady motion takes, at the reference
    temperature and without load, for the law's single coefficients depend on which
    shapes were kept.
    """
    if not unit.names:
        return []
    fast = unit.fast_deg_s
    found = [
        Fact("explained share of the moving current", 100 * unit.explained, np.nan, "%"),
        _steady(unit, "Coulomb friction, towards rest", 0.02),
        _steady(unit, f"friction at {0.5 * fast:.3g} deg/s", 0.5),
        _steady(unit, f"friction at {fast:.3g} deg/s", 1.0),
        _warming(unit, fast),
        Fact("breakaway, at most", unit.breakaway_a, np.nan, "A"),
        Fact("current of the held joint", unit.bias_a, unit.bias_sd_a, "A"),
    ]
    torque = unit.coefficient("torque")
    if torque:
        error = unit.deviation("torque") / torque**2
        found.append(Fact("torque at the output", 1 / torque, error, "N m/A"))
    if "load" in unit.names and torque:
        share = unit.coefficient("load") / torque
        found.append(
            Fact(
                "load that friction takes", 100 * share, 100 * unit.deviation("load") / torque, "%"
            )
        )
    for name, of in (("link drag", "links"), ("payload drag", "payload")):
        if name in unit.names and torque:
            found.append(
                Fact(
                    f"a fluid's drag on the {of}, of 1 kg at 1 m/s",
                    unit.coefficient(name) / torque,
                    unit.deviation(name) / abs(torque),
                    "N",
                )
            )
    if unit.servo is not None:
        law = unit.servo
        errors = np.sqrt(np.diag(law.covariance))
        for name, words, of in (
            ("lead", "drive: current for following error", "A/deg"),
            ("lead rate", "drive: current for rate error", "A s/deg"),
        ):
            if name in law.names:
                k = law.names.index(name)
                found.append(Fact(words, float(law.coef[k]), float(errors[k]), of))
    usual = float(np.sqrt(max(unit.noise.weights[0], unit.noise.floor)))
    found.append(Fact("noise of a filtered sample", usual, np.nan, "A"))
    return found


def steady_current(
    unit: UnitModel, rate_deg_s: Floats, heat_k: float = 0.0
) -> tuple[Floats, Floats]:
    """Return friction's current (A) at steady rates without load, and its standard error.

    ``heat_k`` is the temperature less the unit's reference.
    """
    x = design(unit.names, _at(unit, rate_deg_s, heat_k), unit.orders)
    index = members(unit.names, FRICTION) + members(unit.names, VISCOUS)
    value = x[:, index] @ unit.coef[index]
    part = unit.covariance[np.ix_(index, index)]
    error = np.sqrt(np.einsum("ij,jk,ik->i", x[:, index], part, x[:, index]))
    return value, error


def _at(unit: UnitModel, rate_deg_s: Floats, heat_k: float) -> Conditions:
    n = len(rate_deg_s)
    nothing = np.zeros(n)
    return Conditions(
        rate=np.asarray(rate_deg_s) / unit.fast_deg_s,
        accel=nothing,
        torque_nm=nothing,
        heat_k={lag: np.full(n, unit.usual_heat(lag) + heat_k) for lag in LAGS_S},
        angle_deg=nothing,
    )


def _steady(unit: UnitModel, what: str, share: float) -> Fact:
    rates = unit.fast_deg_s * share * np.array([1.0, -1.0])
    value, error = steady_current(unit, rates)
    return Fact(what, float((value[0] - value[1]) / 2), float(error.mean()), "A")


def _warming(unit: UnitModel, fast: float) -> Fact:
    rate = np.array([0.5 * fast])
    cold, warm = (steady_current(unit, rate, k) for k in (-5.0, 5.0))
    usual = steady_current(unit, rate)[0][0]
    low, high = unit.temperature_range_c
    if not np.isfinite(low) or high - low < 1 or not usual:
        return Fact("friction a kelvin", np.nan, np.nan, "%/K")
    slope = (warm[0][0] - cold[0][0]) / 10
    error = float(np.hypot(warm[1][0], cold[1][0])) / 10
    return Fact("friction a kelvin", 100 * slope / usual, 100 * error / abs(usual), "%/K")
