"""Fair comparison: bring every session to the same temperature, load and rate.

A cold season raises friction and a heavy year raises it too; neither is wear.
What the conditions explain is estimated together with the trend and taken
away. What that costs is kept: when the conditions drift along with time, the
two cannot be told apart, and the interval of the slope must say so. The price
is the variance inflation factor ``1 / (1 - R2)`` of time on the conditions
(D. A. Belsley, E. Kuh, R. E. Welsch, *Regression Diagnostics*, 1980).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from replay.statistics.regression import huber, least_squares
from replay.wear.histories.aggregation import averaged, numbers_of
from replay.wear.histories.temperature_law import TemperatureLaw

Floats = npt.NDArray[np.float64]

SEASON = ("season sine", "season cosine")
"""Conditions of a history whose temperature nobody logged: the year's own course."""

SEASON_SHARE = 0.12
"""Standard deviation of a season's amplitude, as a share of the level, before a history
says anything: about 1 % per kelvin (grease; from memory) and seasons of 25 C."""

SESSIONS_PER_TERM = 4
"""A condition is corrected for only when this many sessions stand behind each
term of it; fewer would fit noise."""


@dataclass(frozen=True, slots=True)
class Adjusted:
    """Values as they would have been under the usual conditions."""

    values: Floats
    variance_factor: float
    """What the correction costs in the variance of a slope over time."""
    terms: tuple[str, ...]
    """The conditions that were corrected for."""
    effect: dict[str, float]
    """Spread (standard deviation) of what was taken away, per condition."""
    reference: dict[str, float]
    """The usual conditions: the medians, unless others were asked for."""
    columns: Floats
    """What was corrected for, of shape (n, terms); nought at the usual conditions."""


def adjust(
    times: Floats,
    values: Floats,
    conditions: Mapping[str, Floats],
    *,
    weights: Floats | None = None,
    sections: npt.NDArray[np.int64] | None = None,
    squared: tuple[str, ...] = ("temperature_c",),
    course: Floats | None = None,
    usual: Mapping[str, float] | None = None,
    law: TemperatureLaw | None = None,
) -> Adjusted:
    """Take the effect of the conditions away from the values.

    Parameters
    ----------
    times, values : array of shape (n,)
    conditions : mapping of name to array of shape (n,)
        NaN where unknown: such a session is taken to be at the median. A
        condition known in fewer than half of the sessions, or that does not
        vary, is left out.
    weights : array of shape (n,), optional
    sections : array of int of shape (n,), optional
        Each section has its own level.
    squared : tuple of str
        Conditions whose effect is curved: lubricant thickens faster the
        colder it gets.
    course : array of shape (n, k), optional
        How the level moved besides a straight trend (steps, bends), so that
        conditions do not take the blame for it.
    usual : mapping of name to float, optional
        The conditions to bring the values to, where not the medians.
    law : TemperatureLaw, optional
        What other units of the kind say about temperature: the unit's own
        effect is sought about it, no further off than units differ.

    Returns
    -------
    Adjusted
    """
    n = len(values)
    w = np.ones(n) if weights is None else weights / np.max(weights)
    span = float(np.ptp(times)) or 1.0
    straight = _base(times, span, sections)
    base = straight if course is None else np.column_stack([straight, course])
    columns: list[Floats] = []
    owner: list[str] = []
    reference: dict[str, float] = {}
    spreads: dict[str, float] = {}
    room = n // SESSIONS_PER_TERM - straight.shape[1]
    for name, raw in conditions.items():
        known = np.isfinite(raw)
        if known.sum() < max(4, n / 2):
            continue
        middle = float(np.median(raw[known]))
        if usual is not None and name in usual:
            middle = usual[name]
        spread = float(np.std(raw[known]))
        if spread <= 1e-9 * max(1.0, abs(middle)):
            continue
        x = np.where(known, (raw - middle) / spread, 0.0)
        wanted = [x, x * x] if name in squared and room - len(columns) >= 3 else [x]
        if len(columns) + len(wanted) > room:
            continue
        columns += wanted
        owner += [name] * len(wanted)
        reference[name] = middle
        spreads[name] = spread
    if not columns:
        return Adjusted(values, 1.0, (), {}, {}, np.zeros((n, 0)))
    design = np.column_stack([base, *columns])
    first = base.shape[1]
    mean, prior = _known(law, values, owner, reference, spreads)
    # long histories by the means of neighbours: what is linear stays so
    groups = np.zeros(n, dtype=np.int64) if sections is None else sections
    few, few_w, _ = averaged(np.column_stack([values, design]), w, groups)
    assert few_w is not None  # weights were given
    design_of_few = few[:, 1:]
    fit = huber(
        design_of_few,
        few[:, 0] - design_of_few[:, first:] @ mean,
        few_w,
        prior=_padded(prior, first),
    )
    coefficients = fit.coefficients.copy()
    coefficients[first:] += mean
    effect: dict[str, float] = {}
    corrected = values.copy()
    for name in dict.fromkeys(owner):
        part = sum(
            (coefficients[first + k] * columns[k] for k, own in enumerate(owner) if own == name),
            np.zeros(n),
        )
        corrected = corrected - part
        effect[name] = float(np.std(part))
    return Adjusted(
        values=corrected,
        # Each fitted term also takes a degree of freedom from the residuals.
        variance_factor=_inflation(times, span, sections, columns, w, fit.scale**2 * prior)
        * (n - first)
        / (n - first - len(columns)),
        terms=tuple(reference),
        effect=effect,
        reference=reference,
        columns=np.column_stack(columns),
    )


def _known(
    law: TemperatureLaw | None,
    values: Floats,
    owner: list[str],
    reference: Mapping[str, float],
    spreads: Mapping[str, float],
) -> tuple[Floats, Floats]:
    """Return what is known of the columns' coefficients: their mean and precision."""
    mean, precision = np.zeros(len(owner)), np.zeros((len(owner), len(owner)))
    places = [k for k, name in enumerate(owner) if name == "temperature_c"]
    level = float(np.median(np.abs(values)))
    for k, name in enumerate(owner):
        if name in SEASON and level > 0:
            precision[k, k] = (level * SEASON_SHARE * spreads[name]) ** -2.0
    if law is None or not places or not level > 0:
        return mean, precision
    shares, covariance = law.about(reference["temperature_c"], spreads["temperature_c"])
    own = len(places)
    mean[places] = level * shares[:own]
    # a law that is known exactly would make the precision infinite
    least = np.diag(1e-6 * np.ones(own))
    precision[np.ix_(places, places)] = np.linalg.inv(level**2 * (covariance[:own, :own] + least))
    return mean, precision


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
    columns: list[Floats],
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
    wide = np.vstack([np.column_stack([levels, np.column_stack(columns) * root]), beside])
    together = _left_over(wide, np.concatenate([t, np.zeros(len(known))]))
    return float(min(alone / max(together, 1e-12), 1e6)) if alone > 0 else 1.0


def _left_over(design: Floats, y: Floats) -> float:
    return float(np.sum((y - design @ least_squares(design, y)) ** 2))
