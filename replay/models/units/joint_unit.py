"""Everything learned of one joint unit: its law of the current, noise, doubt, drive."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from replay.models.grid.blocks import Fineness
from replay.models.residuals import Floats
from replay.models.units.current import DRAGS, Conditions, column, design
from replay.models.units.servo import ServoLaw
from replay.models.units.variance import Noise, Trained


@dataclass(frozen=True, slots=True)
class UnitModel:
    """One unit's law. Rates count in ``fast_deg_s``, temperatures from ``reference_c``."""

    serial: str
    joint: str
    """Where it sat in its first session."""
    names: tuple[str, ...]
    coef: Floats
    covariance: Floats
    fast_deg_s: float
    reference_c: float
    temperature_range_c: tuple[float, float]
    payload_scale_kg: float
    bias_a: float
    bias_sd_a: float
    held_sd_a: float
    sample_noise_a: float
    moving_a: float
    noise: Noise
    trained: Trained
    rest_noise: Noise
    breakaway_a: float
    explained: float
    servo: ServoLaw | None
    hours: float
    sessions: tuple[str, ...]
    set_aside: tuple[str, ...] = ()
    orders: tuple[float, ...] = ()
    notes: tuple[str, ...] = ()
    figures: dict[str, float] = field(default_factory=dict)

    def usual_heat(self, lag_s: float) -> float:
        """Return what a lagged temperature usually was above the reference, K."""
        return self.figures.get(f"heat{lag_s:g}", 0.0)

    def coefficient(self, name: str) -> float:
        """Return a column's coefficient; 0 where the law has none."""
        return float(self.coef[self.names.index(name)]) if name in self.names else 0.0

    @property
    def wades(self) -> bool:
        """Whether its law has a fluid's drag, which follows all joints' motion."""
        return any(name in self.names for name in DRAGS)

    def deviation(self, name: str) -> float:
        """Return a coefficient's standard error; NaN where the law has none."""
        if name not in self.names:
            return float("nan")
        k = self.names.index(name)
        return float(np.sqrt(self.covariance[k, k]))


FRICTION = ("sign", "heat", "thin", "fall", "load", "asymmetry")
VISCOUS = ("rate", "grease", "root", "square", "asymmetric rate")
LOAD = ("torque", "warm torque", "accel", "link drag", "payload drag")


def members(names: Sequence[str], words: Sequence[str]) -> list[int]:
    """Return the places of the columns that belong to a part of the law."""
    return [
        k
        for k, n in enumerate(names)
        if any(
            n == w or (n.startswith(w) and w in ("heat", "thin", "fall", "grease")) for w in words
        )
    ]


@dataclass(frozen=True, slots=True)
class Parts:
    """The law's parts on some rows, ampere: coulomb (signed), viscous, load, the whole."""

    x: Floats
    coulomb: Floats
    viscous: Floats
    load: Floats
    whole: Floats


def predict(unit: UnitModel, at: Conditions) -> Parts:
    """Return the law's parts; whole is NaN where the load or the rate is not known."""
    x = design(unit.names, at, unit.orders)
    of = {
        word: x[:, k] @ unit.coef[k]
        for word, k in (
            ("coulomb", members(unit.names, FRICTION)),
            ("viscous", members(unit.names, VISCOUS)),
            ("load", members(unit.names, LOAD)),
        )
    }
    whole = x @ unit.coef
    whole = np.where(np.isfinite(at.torque_nm) & np.isfinite(at.rate), whole, np.nan)
    return Parts(x, of["coulomb"], of["viscous"], of["load"], whole)


TERMS = 6


def variance_terms(
    unit: UnitModel,
    parts: Parts,
    at: Conditions,
    fine: Fineness,
    noise_nm: Floats,
    swing_nm: Floats,
) -> Floats:
    """Return (n, 6) of what a residual's variance may consist of, A^2.

    One; friction, load, static friction near rest, each wrong by a share; the noise
    of accelerations; what swings: loads that changed within seconds go on swinging in
    structure and payload where no rigid body does.
    """
    near = np.exp(-((np.nan_to_num(at.rate) / 0.05) ** 2))
    torque_a = unit.coefficient("torque")
    accel_a = unit.coefficient("accel")
    shaken = (torque_a * noise_nm) ** 2 + (accel_a * fine.accel_noise_deg_s2) ** 2
    return np.stack(
        [
            np.ones(len(at.rate)),
            (parts.coulomb + parts.viscous) ** 2,
            parts.load**2,
            unit.coefficient("sign") ** 2 * near,
            shaken,
            (torque_a * swing_nm) ** 2,
        ],
        axis=1,
    )


def levels(unit: UnitModel, at: Conditions) -> Floats:
    """Return the Coulomb level without sign at each row's temperature, ampere."""
    still = Conditions(
        rate=np.full(len(at.rate), 1e-9),
        accel=np.zeros(len(at.rate)),
        torque_nm=at.torque_nm,
        heat_k=at.heat_k,
        angle_deg=at.angle_deg,
    )
    total = np.zeros(len(at.rate))
    for name in unit.names:
        if name in ("sign", "load") or name.startswith(("heat", "thin")):
            total += unit.coefficient(name) * np.nan_to_num(column(name, still))
    return np.abs(total)
