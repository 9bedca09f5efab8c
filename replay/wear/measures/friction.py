"""Friction per direction in one session, with errors that know about motions.

The current of a moving joint is explained by direction, rate, acceleration
and load: ``i = Fc(d) d + Fv(d) w + J a + k L + c`` (Coulomb and viscous, each
direction its own; J. J. Craig, *Introduction to Robotics*, 3rd ed. 2005,
section 6.9). Slow rows are left out, where friction bends upwards (Stribeck).
Neighbouring samples are no independent witnesses, so standard errors come
from whole motions (sandwich with motions as clusters; K.-Y. Liang and S. L.
Zeger, *Biometrika* 73 (1986) 13-22).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.wear.measures.measure import Floats, Measure, column, measure, runs

SLOW_SHARE = 0.12
"""Rows below this share of the session's top rate are left to Stribeck."""

MOST_ROWS = 8000
"""More rows than this are averaged within their motion."""

FEWEST_ROWS = 12
HUBER = 1.345


@dataclass(frozen=True, slots=True)
class Fit:
    """A session's friction fit of one joint."""

    names: tuple[str, ...]
    beta: Floats
    covariance: Floats
    rows: npt.NDArray[np.bool_]
    """Which rows of the joint table it is about."""
    remainder: Floats
    """Current less fit, A, one per row of ``rows``."""
    motions: dict[str, int]
    """Motions per direction."""
    rate_spread: dict[str, float]
    """Spread of |rate| per direction, deg/s."""
    at: dict[str, datetime | None]
    load_centre_nm: float


def fit_friction(table: pl.DataFrame) -> Fit | None:
    """Fit one joint's session; None when there is too little motion.

    Parameters
    ----------
    table : DataFrame
        A joint table.
    """
    rate, current = column(table, "rate_deg_s"), column(table, "current_a")
    accel, load = column(table, "accel_deg_s2"), column(table, "load_nm")
    moving = (table["motion"] == "moving").fill_null(False).to_numpy()
    direction = table["direction"].fill_null(0).to_numpy()
    rows = moving & np.isfinite(rate) & np.isfinite(current) & (direction != 0)
    if rows.sum() < FEWEST_ROWS:
        return None
    top = float(np.quantile(np.abs(rate[rows]), 0.95))
    rows &= np.abs(rate) >= SLOW_SHARE * top
    rows &= np.sign(rate) == direction
    if rows.sum() < FEWEST_ROWS:
        return None
    motion = _motion_numbers(rows, direction)
    parts = {
        "rate": rate[rows],
        "current": current[rows],
        "accel": np.nan_to_num(accel[rows]),
        "load": np.nan_to_num(load[rows]),
        "angle": column(table, "angle_deg")[rows],
        "direction": direction[rows].astype(float),
    }
    owner = motion[rows]
    small, small_owner = _averaged(parts, owner)
    sides = {
        word: (small["direction"] == sign, np.unique(small_owner[small["direction"] == sign]))
        for word, sign in (("forward", 1.0), ("backward", -1.0))
    }
    load_centre = float(np.median(small["load"]))
    names, design = _design(small, sides, load_centre)
    if len(small["rate"]) < 2 * len(names):
        return None
    beta, weights = _huber(design, small["current"])
    names, design, beta, weights = _with_posture(names, design, beta, weights, small)
    residual = small["current"] - design @ beta
    covariance = _sandwich(design, residual, weights, small_owner)
    full = _full_design(names, parts, load_centre)
    return Fit(
        names=tuple(names),
        beta=beta,
        covariance=covariance,
        rows=rows,
        remainder=parts["current"] - full @ beta,
        motions={word: len(m) for word, (_, m) in sides.items()},
        rate_spread={
            word: float(np.std(np.abs(small["rate"][own]))) if own.any() else 0.0
            for word, (own, _) in sides.items()
        },
        at={
            word: _longest(table, rows & (direction == sign))
            for word, sign in (("forward", 1), ("backward", -1))
        },
        load_centre_nm=load_centre,
    )


def friction_measures(fit: Fit, usual_rate_deg_s: float) -> list[Measure]:
    """Return the friction indicators of a fit.

    Parameters
    ----------
    fit : Fit
    usual_rate_deg_s : float
        The rate at which this unit's sessions are compared.
    """
    found: list[Measure | None] = []
    for word in ("forward", "backward"):
        if f"coulomb {word}" not in fit.names:
            continue
        count = fit.motions[word]
        where = fit.at[word]
        steady = f"viscous {word}" in fit.names
        gain = np.zeros(len(fit.names))
        gain[fit.names.index(f"coulomb {word}")] = 1.0
        if steady:
            found.append(measure(f"coulomb friction {word}", *_read(fit, gain), count, where))
            slope = np.zeros(len(fit.names))
            slope[fit.names.index(f"viscous {word}")] = 1.0
            found.append(measure(f"viscous friction {word}", *_read(fit, slope), count, where))
    if "coulomb forward" in fit.names and "coulomb backward" in fit.names:
        total = sum(fit.motions.values())
        mean, difference = _pair(fit, usual_rate_deg_s)
        where = fit.at["backward"]
        found.append(measure("friction at usual rate", *_read(fit, mean), total, where))
        found.append(measure("direction asymmetry", *_read(fit, difference), total, where))
    rest = fit.remainder[np.isfinite(fit.remainder)]
    if len(rest) >= 50:
        middle = float(np.median(rest))
        spread = 1.4826 * float(np.median(np.abs(rest - middle)))
        motions = max(sum(fit.motions.values()), 2)
        found.append(
            # 1.166 / sqrt(n): error of a scaled median absolute deviation, normal law
            measure(
                "remainder spread",
                spread,
                1.166 * spread / np.sqrt(motions),
                len(rest),
                fit.at["forward"] or fit.at["backward"],
            )
        )
    return [m for m in found if m is not None]


def _pair(fit: Fit, usual: float) -> tuple[Floats, Floats]:
    """Return the rows that read mean and difference of the two directions."""
    mean, difference = np.zeros(len(fit.names)), np.zeros(len(fit.names))
    for word, sign in (("forward", 1.0), ("backward", -1.0)):
        for name, factor in ((f"coulomb {word}", 1.0), (f"viscous {word}", usual)):
            if name in fit.names:
                mean[fit.names.index(name)] += factor / 2
                difference[fit.names.index(name)] += sign * factor
    return mean, difference


def _read(fit: Fit, row: Floats) -> tuple[float, float]:
    variance = float(row @ fit.covariance @ row)
    return float(row @ fit.beta), max(variance, 0.0) ** 0.5


def _design(
    small: dict[str, Floats],
    sides: dict[str, tuple[npt.NDArray[np.bool_], npt.NDArray[np.int64]]],
    load_centre: float,
) -> tuple[list[str], Floats]:
    names: list[str] = []
    for word, (own, motions) in sides.items():
        if len(motions) < 2:
            continue
        names.append(f"coulomb {word}")
        size = np.abs(small["rate"][own])
        # A rate that hardly varies cannot tell Coulomb from viscous.
        if np.std(size) > 0.08 * np.mean(size):
            names.append(f"viscous {word}")
    if np.std(small["accel"]) > 0:
        names.append("accel")
    if np.std(small["load"]) > 1e-6 * (1 + np.max(np.abs(small["load"]))):
        names.append("load")
    return names, _full_design(names, small, load_centre)


def _with_posture(
    names: list[str], design: Floats, beta: Floats, weights: Floats, small: dict[str, Floats]
) -> tuple[list[str], Floats, Floats, Floats]:
    """Add sine and cosine of the angle where gravity without an arm file demands it."""
    angle = small["angle"]
    both = "coulomb forward" in names and "coulomb backward" in names
    if not both or "load" in names or not np.isfinite(angle).all() or np.ptp(angle) < 15:
        return names, design, beta, weights
    more = [*names, "sine", "cosine"]
    wide = _full_design(more, small, 0.0)
    n = len(angle)
    lengths: Floats = np.sqrt(np.sum(wide * wide, axis=0))
    if n < 4 * len(more) or np.linalg.cond(wide / lengths) > 200:
        return names, design, beta, weights
    new_beta, new_weights = _huber(wide, small["current"])
    old = float(np.median(np.abs(small["current"] - design @ beta)))
    new = float(np.median(np.abs(small["current"] - wide @ new_beta)))
    if new > 0.8 * old:
        return names, design, beta, weights
    return more, wide, new_beta, new_weights


def _full_design(names: list[str], parts: dict[str, Floats], load_centre: float) -> Floats:
    d, rate = parts["direction"], parts["rate"]
    made = []
    for name in names:
        kind, _, word = name.partition(" ")
        own = (d == (1.0 if word == "forward" else -1.0)).astype(float)
        if kind == "coulomb":
            made.append(own * d)
        elif kind == "viscous":
            made.append(own * rate)
        elif kind == "accel":
            made.append(parts["accel"])
        elif kind == "load":
            made.append(parts["load"])
        elif kind == "sine":
            made.append(np.sin(np.radians(parts["angle"])))
        else:
            made.append(np.cos(np.radians(parts["angle"])))
    return np.column_stack(made) if made else np.zeros((len(rate), 0))


def _huber(design: Floats, y: Floats) -> tuple[Floats, Floats]:
    weights = np.ones(len(y))
    scale_of = np.sqrt(np.sum(design * design, axis=0))
    scale_of = np.where(scale_of > 0, scale_of, 1.0)
    x = design / scale_of
    beta: Floats = np.zeros(x.shape[1])
    for _ in range(15):
        root = np.sqrt(weights)
        new = np.asarray(np.linalg.lstsq(x * root[:, None], y * root, rcond=1e-10)[0])
        rest = np.abs(y - x @ new)
        scale = np.median(rest) / 0.6745
        if scale <= 0 or np.allclose(new, beta, rtol=1e-6, atol=1e-9):
            beta = new
            break
        beta = new
        weights = np.minimum(1.0, HUBER / np.maximum(rest / scale, HUBER))
    return beta / scale_of, weights


def _sandwich(
    design: Floats, residual: Floats, weights: Floats, owner: npt.NDArray[np.int64]
) -> Floats:
    bread = np.linalg.pinv(design.T @ (design * weights[:, None]))
    score = design * (weights * residual)[:, None]
    _, where = np.unique(owner, return_inverse=True)
    groups = int(where.max()) + 1
    sums = np.zeros((groups, design.shape[1]))
    np.add.at(sums, where, score)
    n, p = design.shape
    small = groups / max(groups - 1, 1) * (n - 1) / max(n - p, 1)
    return np.asarray(small * bread @ (sums.T @ sums) @ bread)


def _motion_numbers(
    rows: npt.NDArray[np.bool_], direction: npt.NDArray[np.int8]
) -> npt.NDArray[np.int64]:
    turned = np.zeros(len(rows), bool)
    turned[1:] = (direction[1:] != direction[:-1]) | (rows[1:] & ~rows[:-1])
    return np.cumsum(turned)


def _averaged(
    parts: dict[str, Floats], owner: npt.NDArray[np.int64]
) -> tuple[dict[str, Floats], npt.NDArray[np.int64]]:
    n = len(owner)
    width = -(-n // MOST_ROWS)
    if width == 1:
        return parts, owner
    new = np.zeros(n, bool)
    new[0] = True
    new[1:] = owner[1:] != owner[:-1]
    first = np.flatnonzero(new)
    place = np.arange(n) - np.repeat(first, np.diff([*first, n]))
    starts = np.flatnonzero(new | (place % width == 0))
    count = np.diff([*starts, n])
    return {k: np.add.reduceat(v, starts) / count for k, v in parts.items()}, owner[starts]


def _longest(table: pl.DataFrame, rows: npt.NDArray[np.bool_]) -> datetime | None:
    stretches = runs(rows)
    if not stretches:
        return None
    first, last = max(stretches, key=lambda ab: ab[1] - ab[0])
    value: datetime = table["time"][(first + last) // 2]
    return value
