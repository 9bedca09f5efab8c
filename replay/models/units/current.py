"""The expected current of a moving joint: columns, fit, prediction, uncertainty.

    i = bias + g(1 + k dT) tau + c a + sgn v F(v, T, |tau|) + ripple(q)

Every law is linear in its coefficients; where a law has a shape of its own (the
rate of static friction's fall, how grease thins with temperature, how late its
temperature follows the sensor) several shapes stand beside each other and one is
kept by the error on sessions left out. The fit is weighted least squares with
Cauchy weights and a ridge prior; its covariance is clustered by session
(Liang & Zeger 1986), for rows of one session are not independent. Friction with
temperature after Bittencourt & Gunnarsson (ASME J. Dyn. Sys. Meas. Control 134,
2012); static friction after Armstrong-Helouvry et al. (Automatica 30, 1994).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay.models.residuals import Floats
from replay.models.units.least_squares import Sums, left_out_error, solve, total

LAGS_S = (0.0, 600.0, 1800.0)
FALLS = (0.03, 0.1, 0.3)
"""Rates, as shares of the usual fast rate, within which static friction falls off."""
THINNING = (0.02, 0.05)
"""How much a grease thins a kelvin: shares."""

DRAGS = ("link drag", "payload drag")

BASE = ("bias", "torque", "accel", "sign", "rate")
OPTIONAL: tuple[tuple[str, ...], ...] = (
    ("heat0", "heat600", "heat1800"),
    ("grease.02", "grease.05", "grease.02@1800", "grease.05@1800"),
    ("thin.02", "thin.05", "thin.02@1800", "thin.05@1800"),
    ("fall.03", "fall.1", "fall.3"),
    ("root",),
    ("asymmetry",),
    ("asymmetric rate",),
    ("load",),
    ("warm torque",),
    ("square",),
    ("link drag",),
    ("payload drag",),
    *((f"ripple{k}",) for k in range(4)),
)
"""Groups of which one member at most is kept, where it cuts the error on sessions left out."""


@dataclass(frozen=True, slots=True)
class Conditions:
    """What a joint's balance depends on, (n,) each; NaN where unknown.

    ``heat_k`` maps a lag in seconds to temperature less the reference.
    """

    rate: Floats
    """Over the usual fast rate."""
    accel: Floats
    torque_nm: Floats
    heat_k: Mapping[float, Floats]
    angle_deg: Floats
    drag_nm: tuple[Floats, Floats] | None = None
    """What a fluid would ask of links and of the payload, each for a factor of 1; None: unknown."""


def column(name: str, at: Conditions, orders: Sequence[float] = ()) -> Floats:
    """Return one column, (n,) or (n, 2) for a ripple's sine and cosine."""
    sign = np.sign(at.rate)
    if name == "bias":
        return np.ones(len(at.rate))
    if name == "torque":
        return at.torque_nm
    if name == "accel":
        return at.accel
    if name == "sign":
        return sign
    if name == "rate":
        return at.rate
    lag = lag_of(name)
    if lag is not None and name.startswith("heat"):
        return sign * at.heat_k[lag] / 10
    if lag is not None:
        word = name.partition("@")[0]
        thin = np.exp(-float(word[word.index(".") :]) * np.clip(at.heat_k[lag], -60, 60))
        return np.asarray(at.rate * thin if name.startswith("grease") else sign * (thin - 1))
    if name.startswith("fall"):
        return np.asarray(sign * np.exp(-((at.rate / float(name[4:])) ** 2)))
    if name == "root":
        return np.asarray(sign * np.sqrt(np.abs(at.rate)))
    if name == "square":
        return np.asarray(at.rate * np.abs(at.rate))
    if name == "asymmetry":
        return np.asarray(sign != 0, dtype=np.float64)
    if name == "asymmetric rate":
        return np.abs(at.rate)
    if name == "load":
        return sign * np.abs(at.torque_nm)
    if name == "warm torque":
        return np.asarray(at.torque_nm * at.heat_k[0.0] / 10)
    if name in DRAGS:
        known = at.drag_nm
        return np.zeros(len(at.rate)) if known is None else known[DRAGS.index(name)]
    if name.startswith("ripple"):
        order = orders[int(name[6:])]
        phase = np.radians(order * at.angle_deg)
        return np.stack([np.cos(phase), np.sin(phase)], axis=1)
    raise KeyError(name)


def lag_of(name: str) -> float | None:
    """Return the lag that a column takes the temperature with, None where it takes none."""
    if name.startswith("heat"):
        return float(name[4:])
    if name.startswith(("grease", "thin")):
        return float(name.partition("@")[2] or 0)
    return None


def design(names: Sequence[str], at: Conditions, orders: Sequence[float] = ()) -> Floats:
    """Return the columns side by side, (n, p); what is not known is 0 there."""
    parts = []
    for name in names:
        one = column(name, at, orders)
        parts.append(one if one.ndim == 2 else one[:, None])
    out = np.concatenate(parts, axis=1) if parts else np.zeros((len(at.rate), 0))
    made: Floats = np.nan_to_num(out, copy=False)
    return made


def widths(names: Sequence[str]) -> list[int]:
    """Return how many columns each name stands for."""
    return [2 if n.startswith("ripple") else 1 for n in names]


def choose(
    parts: Sequence[Sums],
    folds: NDArray[Any],
    names: Sequence[str],
    places: Mapping[str, list[int]],
    base: Sequence[str],
    groups: Sequence[Sequence[str]],
    centre: Floats,
    stiffness: Floats,
) -> list[str]:
    """Return the columns to keep: the base, and what cuts the error on sessions left out.

    A column stays when it cuts the pooled error by 0.3 % and does so in more sessions
    than not, for a single odd session can pay for any column; a fluid's drag only where it
    holds the motion back.
    """
    chosen = [n for n in base if n in places]

    def index(of: Sequence[str]) -> list[int]:
        return [i for n in of for i in places[n]]

    best = left_out_error(parts, folds, index(chosen), centre, stiffness)
    left = [list(g) for g in groups]
    while left:
        trials = []
        for group in left:
            for name in group:
                if name not in places:
                    continue
                error = left_out_error(parts, folds, index([*chosen, name]), centre, stiffness)
                trials.append((float(error.sum()), name, error, group))
        if not trials:
            break
        least, name, error, group = min(trials, key=lambda t: t[0])
        better = np.mean(error < best)
        if least > 0.997 * best.sum() or better < 0.5:
            break
        taken = [*chosen, name]
        if not _resists(taken, solve(total(parts), index(taken), centre, stiffness), places):
            left.remove(group)
            continue
        chosen.append(name)
        left.remove(group)
        best = error
    return chosen


def _resists(names: Sequence[str], coef: Floats, places: Mapping[str, list[int]]) -> bool:
    """Tell whether a law's drags hold back what its torque drives."""
    order = [n for n in names for _ in places[n]]
    torque = coef[order.index("torque")] if "torque" in order else 1.0
    return all(coef[order.index(n)] * torque >= 0 for n in DRAGS if n in order)
