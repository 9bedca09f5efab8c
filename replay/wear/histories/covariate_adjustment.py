"""Fair comparison: bring every session to the same temperature, load and rate.

A cold season raises friction and a heavy year raises it too; neither is wear.
What the conditions explain is estimated together with the trend and taken
away. What that costs is kept: when the conditions drift along with time, the
two cannot be told apart, and the interval of the slope must say so. The price
is the variance inflation factor ``1 / (1 - R2)`` of time on the conditions
(D. A. Belsley, E. Kuh, R. E. Welsch, *Regression Diagnostics*, 1980).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from replay.statistics.mixed_slopes import Known
from replay.statistics.regression import huber, least_squares
from replay.statistics.spread import median
from replay.wear.histories.aggregation import averaged, numbers_of
from replay.wear.histories.covariates import Covariates
from replay.wear.histories.kind_law import KindLaw, known_effects
from replay.wear.histories.session_weights import LEAST_BETWEEN

Floats = npt.NDArray[np.float64]

SEASON = ("season sine", "season cosine")
"""Conditions of a history whose temperature nobody logged: the year's own course."""

SEASON_SHARE = 0.12
"""Standard deviation of a season's amplitude, as a share of the level, before a history
says anything: about 1 % per kelvin (grease; from memory) and seasons of 25 C."""


EFFECTS = {"temperature_c": 0.015, "load_nm": 0.1, "rate_deg_s": 0.1, "base_b": 0.05}
"""How large a condition's effect is, before anything is known of it: standard deviation, as
a share of the level. Of temperature a kelvin, of the base the other end, of load and rate
what they usually vary by (common practice, no source)."""

EFFECT_OF_SQUARE = 0.05
"""The same of temperature's bend: 10 K from where the level is the usual one."""


@dataclass(frozen=True, slots=True)
class Adjusted:
    """Values as they would have been under the usual conditions."""

    values: Floats
    variance_factor: float
    """What the correction costs in the variance of a slope over time."""
    terms: tuple[str, ...]
    """The conditions that were corrected for."""
    effect: dict[str, float]
    """Spread (standard deviation) of what was taken away, per condition; where priced."""
    reference: dict[str, float]
    """The usual conditions: the medians, unless others were asked for."""
    columns: Floats
    """What was corrected for, of shape (n, terms); nought at the usual conditions."""
    effects: Floats
    """What each column was taken to do, of shape (terms,)."""
    known: Known
    """What was known of that beforehand."""
    course: Floats
    """How the level was seen to move besides a straight line, of shape (n, k)."""


def adjust(
    times: Floats,
    values: Floats,
    covariates: Covariates,
    *,
    weights: Floats | None = None,
    sections: npt.NDArray[np.int64] | None = None,
    course: Floats | None = None,
    known: Known | None = None,
    priced: bool = True,
) -> Adjusted:
    """Take the effect of the conditions away from the values.

    Parameters
    ----------
    times, values : array of shape (n,)
    covariates : Covariates
        What `covariates_of` made of the conditions.
    weights : array of shape (n,), optional
    sections : array of int of shape (n,), optional
        Each section has its own level.
    course : array of shape (n, k), optional
        How the level moved besides a straight trend (steps, bends), so that
        conditions do not take the blame for it.
    known : Known, optional
        What is known of the columns' effects beforehand, as `known_of` tells: the
        unit's own are sought about it, no further off than units differ.
    priced : bool
        Whether ``variance_factor`` is asked for; else it is left at 1.

    Returns
    -------
    Adjusted
    """
    n = len(values)
    columns, owner = covariates.columns, covariates.owner
    besides = np.zeros((n, 0)) if course is None else course
    if known is None:
        known = known_of(None, values, covariates)
    if not owner:
        return Adjusted(values, 1.0, (), {}, {}, columns, np.zeros(0), known, besides)
    w = np.ones(n) if weights is None else weights / np.max(weights)
    span = float(np.ptp(times)) or 1.0
    straight = _base(times, span, sections)
    base = straight if course is None else np.column_stack([straight, course])
    first = base.shape[1]
    mean, prior = known.mean, known.precision
    # long histories by the means of neighbours: what is linear stays so
    groups = np.zeros(n, dtype=np.int64) if sections is None else sections
    few, few_w, _ = averaged(np.column_stack([values, base, columns]), w, groups)
    assert few_w is not None  # weights were given
    design_of_few = few[:, 1:]
    fit = huber(
        design_of_few,
        few[:, 0] - design_of_few[:, first:] @ mean,
        few_w,
        prior=_padded(prior, first),
        least_scale=LEAST_BETWEEN * median(np.abs(values)) if prior.any() else 0.0,
    )
    coefficients = fit.coefficients[first:] + mean
    effect: dict[str, float] = {}
    corrected = values.copy()
    for name in dict.fromkeys(owner):
        part = sum(
            (coefficients[k] * columns[:, k] for k, own in enumerate(owner) if own == name),
            np.zeros(n),
        )
        corrected = corrected - part
        if priced:
            effect[name] = float(np.std(part))
    factor = 1.0
    if priced:
        # each free term also takes a degree of freedom from the residuals.
        factor = _inflation(times, span, sections, columns, w, fit.scale**2 * prior)
        free = int(np.count_nonzero(prior.diagonal() <= 0))
        factor = factor * (n - first) / max(n - first - free, 1)
    return Adjusted(
        corrected,
        factor,
        tuple(covariates.reference),
        effect,
        covariates.reference,
        columns,
        coefficients,
        known,
        besides,
    )


def known_of(law: KindLaw | None, values: Floats, covariates: Covariates) -> Known:
    """Return what is known of the columns' coefficients, a season's size too."""
    owner, spreads = covariates.owner, covariates.spreads
    level = median(np.abs(values))
    known = known_effects(law, level, owner, covariates.reference, spreads)
    if level > 0:
        usual = np.array([_usual_effect(k, covariates) for k in range(len(owner))])
        known.precision[range(len(owner)), range(len(owner))] += (level * usual) ** -2.0
    return known


def _usual_effect(k: int, covariates: Covariates) -> float:
    """Return how large the effect of a column is before anything is known of it."""
    name, spread = covariates.owner[k], covariates.spreads[covariates.owner[k]]
    if name in SEASON:
        return SEASON_SHARE * spread
    if k and covariates.owner[k - 1] == name:
        return EFFECT_OF_SQUARE * (spread / 10.0) ** 2
    size = EFFECTS.get(name, 0.1)
    return size * spread if name in ("temperature_c", "base_b") else size


def _padded(precision: Floats, first: int) -> Floats | None:
    """Return the precision of all coefficients, the first few unknown."""
    if not precision.any():
        return None
    wide = np.zeros((first + len(precision), first + len(precision)))
    wide[first:, first:] = precision
    return wide


def _base(times: Floats, span: float, sections: npt.NDArray[np.int64] | None) -> Floats:
    """Return the trend and a level a section, which the conditions must not eat."""
    t = (times - times.mean()) / span
    groups = np.zeros(len(times), int) if sections is None else sections
    levels = [(groups == g).astype(float) for g in numbers_of(groups)]
    return np.column_stack([*levels, t])


def _inflation(
    times: Floats,
    span: float,
    sections: npt.NDArray[np.int64] | None,
    columns: Floats,
    w: Floats,
    known: Floats,
) -> float:
    """Return what the correction costs in the variance of a slope; ``known`` costs nothing."""
    base = _base(times, span, sections)
    t, levels = base[:, -1], base[:, :-1]
    root = np.sqrt(w)[:, None]
    t, levels = t * root[:, 0], levels * root
    alone = _left_over(levels, t)
    rows = np.linalg.cholesky(
        known + 1e-12 * max(float(np.trace(known)), 1e-12) * np.eye(len(known))
    )
    beside = np.column_stack([np.zeros((len(known), levels.shape[1])), rows.T])
    wide = np.vstack([np.column_stack([levels, columns * root]), beside])
    together = _left_over(wide, np.concatenate([t, np.zeros(len(known))]))
    return float(min(alone / max(together, 1e-12), 1e6)) if alone > 0 else 1.0


def _left_over(design: Floats, y: Floats) -> float:
    return float(np.sum((y - design @ least_squares(design, y)) ** 2))
