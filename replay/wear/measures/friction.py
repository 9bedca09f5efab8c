"""Friction levels of one session, read against the unit's reference model.

Each motion gives one mean friction at its mean speed. Per direction a line
through them is fitted, ``friction at the usual rate + slope * (speed -
usual)``; the slope is drawn towards the reference model's as far as the session's
own motions cannot tell (a normal prior with known spreads; A. Gelman and
others, *Bayesian Data Analysis*, 3rd ed. 2013, section 14.8).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from replay.statistics.regression import huber
from replay.wear.measures.measure import Floats, Measure, measure
from replay.wear.measures.motions import Motions
from replay.wear.reference.model import Reference, shared_current

TELLS = 0.5
"""A viscous figure is given when the session narrows the spread of the slope
to this share of what was known before."""

_SIGNED = (
    "direction asymmetry",
    "viscous friction forward",
    "viscous friction backward",
)
"""May be below nought: a difference, and slopes that real fits find to fall."""

WORDS = {"forward": 1.0, "backward": -1.0}


@dataclass(frozen=True, slots=True)
class _Side:
    level: float
    """Friction at the usual rate, A."""
    slope: float
    covariance: Floats
    motions: int
    typical: int
    """Number of the motion that is most like the level."""
    tells_slope: bool


def friction_measures(motions: Motions, reference: Reference) -> list[Measure]:
    """Return the friction indicators of one session."""
    friction = motions.direction * (motions.current - shared_current(motions, reference))
    usual = reference.usual_rate_deg_s
    sides: dict[str, _Side] = {}
    found: list[Measure | None] = []
    for (word, sign), viscous in zip(WORDS.items(), reference.viscous, strict=True):
        side = _side(motions, friction, sign, reference)
        if side is None:
            continue
        sides[word] = side
        at = motions.middle[side.typical]
        slope = viscous + side.slope
        to_zero = np.array([1.0, -usual])
        found.append(
            measure(
                f"coulomb friction {word}",
                side.level - usual * slope,
                _root(to_zero @ side.covariance @ to_zero),
                side.motions,
                at,
            )
        )
        if side.tells_slope:
            error = _root(side.covariance[1, 1])
            found.append(measure(f"viscous friction {word}", slope, error, side.motions, at))
    if len(sides) == 2:
        found += _both(motions, sides, reference)
    elif sides:
        found += _one_sided(motions, sides, reference)
    # a level below nought is no friction, whatever line was drawn to it
    return [m for m in found if m is not None and (m.value > 0 or m.indicator in _SIGNED)]


def explained_share(motions: Motions, reference: Reference) -> float:
    """Return the share of the moving current's variance that the curve and its levels explain.

    Returns
    -------
    float
        1 less the residuals' sum of squares over that about the mean, not below nought;
        samples count alike. 0 where the current does not vary.
    """
    shared = shared_current(motions, reference)
    friction = motions.direction * (motions.current - shared)
    expected = np.full(len(friction), np.nan)
    for sign in WORDS.values():
        side = _side(motions, friction, sign, reference)
        own = motions.direction == sign
        if side is not None:
            beyond = motions.speed[own] - reference.usual_rate_deg_s
            expected[own] = shared[own] + sign * (side.level + side.slope * beyond)
    mean = np.average(motions.current, weights=motions.rows)
    total = float(motions.rows @ (motions.current - mean) ** 2)
    left = float(motions.rows @ (motions.current - expected) ** 2)
    return max(0.0, 1.0 - left / total) if total > 0 else 0.0


def _both(motions: Motions, sides: dict[str, _Side], reference: Reference) -> list[Measure | None]:
    forward, backward = sides["forward"], sides["backward"]
    count = forward.motions + backward.motions
    larger = forward if forward.motions >= backward.motions else backward
    at = motions.middle[larger.typical]
    error = _root(forward.covariance[0, 0] + backward.covariance[0, 0])
    usual = reference.usual_rate_deg_s
    to_zero = np.array([1.0, -usual])
    zero_error = _root(
        to_zero @ forward.covariance @ to_zero + to_zero @ backward.covariance @ to_zero
    )
    mean = (forward.level + backward.level) / 2
    slope = (sum(reference.viscous) + forward.slope + backward.slope) / 2
    return [
        measure("friction at usual rate", mean, error / 2, count, at),
        measure("coulomb friction", mean - usual * slope, zero_error / 2, count, at),
        measure("direction asymmetry", forward.level - backward.level, error, count, at),
    ]


def _one_sided(
    motions: Motions, sides: dict[str, _Side], reference: Reference
) -> list[Measure | None]:
    """Return the means of a session that moved one way only.

    The other direction is taken to differ as it usually does for this unit;
    the error says how far that may be wrong.
    """
    word, side = next(iter(sides.items()))
    half = WORDS[word] * reference.lean_a / 2
    doubt = (reference.lean_spread_a / 2) ** 2
    usual = reference.usual_rate_deg_s
    to_zero = np.array([1.0, -usual])
    error = _root(side.covariance[0, 0] + doubt)
    zero_error = _root(to_zero @ side.covariance @ to_zero + doubt)
    slope = sum(reference.viscous) / 2 + side.slope
    mean = side.level - half
    at = motions.middle[side.typical]
    return [
        measure("friction at usual rate", mean, error, side.motions, at),
        measure("coulomb friction", mean - usual * slope, zero_error, side.motions, at),
    ]


def _side(m: Motions, friction: Floats, sign: float, r: Reference) -> _Side | None:
    own = m.direction == sign
    if not own.any():
        return None
    numbers, where = np.unique(m.motion[own], return_inverse=True)
    rows = np.bincount(where, m.rows[own])
    mean = np.bincount(where, friction[own] * m.rows[own]) / rows
    speed = np.bincount(where, m.speed[own] * m.rows[own]) / rows - r.usual_rate_deg_s
    variance = r.motion_spread_a**2 + r.row_spread_a**2 / rows
    design = np.column_stack([np.ones(len(mean)), speed])
    prior = np.diag([0.0, 1.0 / r.slope_spread**2 if r.slope_spread > 0 else 1e12])
    fit = huber(
        design,
        mean,
        1.0 / variance,
        prior=prior,
        # With more motions than a few, their own scatter is the better scale.
        scale=None if len(mean) >= 5 else 1.0,
        least_scale=0.5,
        start=np.array([float(np.median(mean)), 0.0]),
        rounds=10,
        settled=1e-6,
    )
    beta, covariance = fit.coefficients, fit.covariance
    rest = np.abs(fit.residuals)
    typical = numbers[np.argmin(rest - 1e-9 * rows)]
    known = covariance[1, 1] ** 0.5
    return _Side(
        level=float(beta[0]),
        slope=float(beta[1]),
        covariance=covariance,
        motions=len(numbers),
        typical=int(typical),
        tells_slope=bool(known < TELLS * r.slope_spread),
    )


def _root(variance: float) -> float:
    root: float = max(float(variance), 0.0) ** 0.5
    return root
