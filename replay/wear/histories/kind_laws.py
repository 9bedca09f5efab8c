"""What the units of a kind share: how friction follows its conditions, and how sessions stray.

A season and a year's wear look alike in one unit's history, and so do a month of heavy
work and a month of wear. What temperature, load and rate do to friction is physics that
units share, so it is learned from all of them together: each unit's effects are estimated
beside a course in time that is free to bend, drawn towards their mean by as much as they
are uncertain (random effects: N. M. Laird, J. H. Ware, *Biometrics* 38 (1982) 963-974),
and a unit is told what the *others* know, so that its own history is not counted twice.
How much units differ is averaged over what few of them allow, under a half-normal prior
(A. Gelman, *Bayesian Analysis* 1 (2006) 515-534): its best single value is nought far
too often.

How large the offsets are that stretches of sessions share, and how long they stay, is
likewise learned from the others (`statistics/mixed_slopes.py`): the chances of each
possibility are those that explain them best (empirical Bayes: B. Efron, C. Morris, *J.
American Statistical Association* 70 (1975) 311-319).

The law of temperature is a parabola, those of load, rate and base end are lines, in shares
of the unit's usual level. Maintenance does not enter: a note on one unit changes nothing
for the others.

Longer than 245 lines because a unit's own law and what the others make of it are one model.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.statistics.mixed_slopes import CHANCES, mixed_fit
from replay.statistics.spread import median
from replay.wear.histories.aggregation import averaged
from replay.wear.histories.kind_law import NEWCOMER, STEPS, TERMS, UNTOLD, KindLaw
from replay.wear.histories.missing_conditions import filled
from replay.wear.histories.parting import rows_of_histories
from replay.wear.histories.session_weights import session_weights

Floats = npt.NDArray[np.float64]

COURSE_YEARS = 0.5
"""How often a unit's course in time may bend while its law is estimated. A
season of a year bends faster than the course can follow."""

_NUMBERS = ("value", "se", "temperature_c", "load_nm", "rate_deg_s")
_READ = ("serial", "indicator", "start", "base_end", *_NUMBERS)

LEAST_SESSIONS = 12
LEAST_SPREAD_C = 1.0
AT_ONCE = 64
"""For so many units the chances of offsets are found together: memory, nothing else."""

LEAST_OTHERS = 2
"""Fewer other units tell nothing about how much units differ."""

BEND = 0.3
"""By how much a rate of wear changes at a bend, before a history says anything: standard
deviation, in shares of the level a year (common practice, no source)."""

DIFFERENCE = 0.25
"""How much units' effects differ before they say anything: the half-normal's spread, as
a share of the effects' own size."""

ONE_OF_MANY = 1.0
"""For how many units the chances of offsets count that hold where no unit tells anything."""


def kind_laws(table: pl.DataFrame, *, newcomers: bool = False) -> dict[tuple[str, str], KindLaw]:
    """Return what the others of its kind know, for each unit's indicators.

    Parameters
    ----------
    table : DataFrame
        Rows of the archive's ``indicators`` table. Units with the same
        indicator are of a kind; how much they differ is measured, not assumed.
    newcomers : bool
        Whether to add, under the serial `NEWCOMER`, what all of them say to a unit that is
        not among them.

    Returns
    -------
    dict of (serial, indicator) to KindLaw
        Without those that have too few others.
    """
    frame = table.select(_READ).filter(pl.col("value").is_finite())
    data = {
        "start": frame["start"].dt.timestamp("us").to_numpy(),
        "base_b": (frame["base_end"] == "B").fill_null(False).to_numpy().astype(float),
    } | {c: frame[c].cast(pl.Float64).to_numpy() for c in _NUMBERS}
    parts = rows_of_histories(frame, "start")
    of_kind: dict[str, list[Floats]] = {}
    for _, name, rows in parts:
        warm = data["temperature_c"][rows]
        of_kind.setdefault(name, []).append(warm[np.isfinite(warm)])
    middle = {
        name: median(np.concatenate(own)) if any(map(len, own)) else 0.0
        for name, own in of_kind.items()
    }
    own: dict[str, dict[str, _Own]] = {}
    for serial, name, rows in parts:
        found = _own_law({c: v[rows] for c, v in data.items()}, middle[name])
        if found is not None:
            own.setdefault(name, {})[serial] = found
    laws: dict[tuple[str, str], KindLaw] = {}
    for name, units in own.items():
        place = {serial: k for k, serial in enumerate(units)}
        whole = _Owns(
            *(
                np.array([getattr(law, of) for law in units.values()])
                for of in ("effects", "covariance", "log_likelihoods")
            )
        )
        told = [
            serial
            for serial in [*(s for s, of, _ in parts if of == name), *[NEWCOMER] * newcomers]
            if len(units) - (serial in place) >= LEAST_OTHERS
        ]
        for first in range(0, len(told), AT_ONCE):
            some = told[first : first + AT_ONCE]
            others = [whole.without(place.get(serial)) for serial in some]
            for serial, known, chances in zip(
                some, others, _chances(others, len(units)), strict=True
            ):
                laws[serial, name] = _pooled(known, middle[name], chances)
    return laws


@dataclass(frozen=True, slots=True)
class _Own:
    effects: Floats
    """Shape (5,); nought where the unit tells nothing."""
    covariance: Floats
    log_likelihoods: Floats


@dataclass(frozen=True, slots=True)
class _Owns:
    """What some units' histories say, each alone."""

    effects: Floats
    """Shape (units, 5)."""
    covariance: Floats
    log_likelihoods: Floats

    def without(self, place: int | None) -> _Owns:
        """Return what the others say; all of them where it is none of these."""
        if place is None:
            return self
        parts = (self.effects, self.covariance, self.log_likelihoods)
        return _Owns(*(np.delete(part, place, axis=0) for part in parts))


def _own_law(part: Mapping[str, npt.NDArray[Any]], reference_c: float) -> _Own | None:
    """Return what one unit's history alone says."""
    values, start = part["value"], part["start"]
    if len(values) < LEAST_SESSIONS:
        return None
    level = median(np.abs(values))
    if not level > 0 or start[-1] <= start[0]:
        return None
    years = (start - start[0]) / (365.25 * 86400e6)
    one = np.zeros(len(values), dtype=np.int64)
    whole, unsure = filled(years, values, {name: part[name] for name in STEPS})
    columns, owner = _columns(whole, reference_c)
    weights = None
    if unsure.any():
        weights = session_weights(years, values, np.sqrt(part["se"] ** 2 + unsure), one)
    # as shares of the level, so that units of different size say the same
    few, weights, _ = averaged(np.column_stack([years, values / level, *columns]), weights, one)
    years, course = few[:, 0], _course(few[:, 0])
    if len(few) < 2 * (2 + course.shape[1] + len(owner)):
        return None
    fit = mixed_fit(
        years,
        few[:, 1],
        np.ones((len(few), 1)),
        course,
        few[:, 2:],
        own=None if weights is None or not unsure.any() else 1.0 / weights,
        course_spread=BEND,
    )
    effects, covariance = np.zeros(len(TERMS)), UNTOLD * np.eye(len(TERMS))
    if not np.isfinite(fit.covariance).all():
        return None
    effects[owner] = fit.effects
    covariance[np.ix_(owner, owner)] = fit.covariance
    return _Own(effects, covariance, fit.log_likelihoods)


def _columns(
    part: Mapping[str, npt.NDArray[Any]], reference_c: float
) -> tuple[list[Floats], list[int]]:
    """Return a unit's conditions in steps, nought where unknown, and the terms they belong to."""
    made: list[Floats] = []
    owner: list[int] = []
    for k, name in enumerate(TERMS):
        raw = part[name]
        known = np.isfinite(raw)
        least = LEAST_SPREAD_C if name == "temperature_c" else 0.0
        if known.sum() < max(LEAST_SESSIONS, len(raw) / 2):
            continue
        middle = reference_c if name == "temperature_c" else median(raw[known])
        if float(np.std(raw[known])) <= max(least, 1e-9 * max(1.0, abs(middle))):
            continue
        x = np.where(known, (raw - middle) / STEPS[name], 0.0)
        made.append(x * x if k == 1 else x)
        owner.append(k)
    return made, owner


def _course(years: Floats) -> Floats:
    """Return the bends of a course in time that is no law's."""
    bends = np.arange(COURSE_YEARS, float(years.max()) - COURSE_YEARS / 2, COURSE_YEARS)
    return np.maximum(years[:, None] - bends[None, :], 0.0)


def _pooled(laws: _Owns, reference_c: float, chances: Floats) -> KindLaw:
    """Return the mean law of some units, and how a further unit's would lie about it."""
    b, c = laws.effects, laws.covariance
    mean, spread = np.zeros(len(TERMS)), UNTOLD * np.eye(len(TERMS))
    told = c[:, range(len(TERMS)), range(len(TERMS))] < UNTOLD
    use = np.flatnonzero(told.sum(axis=0) >= LEAST_OTHERS)
    if len(use):
        between = np.diag([_between(b[told[:, k], k], c[told[:, k], k, k]) for k in use])
        precision = np.linalg.inv(c[:, use[:, None], use[None, :]] + between)
        of_mean = np.linalg.inv(precision.sum(axis=0))
        mean[use] = of_mean @ np.einsum("uij,uj->i", precision, b[:, use])
        spread[np.ix_(use, use)] = between + of_mean
    return KindLaw(reference_c, mean, spread, len(b), chances)


def _between(values: Floats, variances: Floats) -> float:
    """Return the variance between units, averaged over what their values allow."""
    size = float(np.sqrt(np.mean(values**2)))
    if not size > 0:
        return 0.0
    spread = size * np.linspace(0.0, 2.0, 41)
    w = 1.0 / (variances[None, :] + spread[:, None] ** 2)
    total = w.sum(axis=1)
    mean = (w @ values) / total
    left = np.einsum("su,su->s", w, (values[None, :] - mean[:, None]) ** 2)
    log = (np.log(w).sum(axis=1) - np.log(total) - left - (spread / (DIFFERENCE * size)) ** 2) / 2
    chance = np.exp(log - log.max())
    return float(chance @ spread**2 / chance.sum())


def _chances(groups: Sequence[_Owns], width: int) -> Floats:
    """Return the chances of shared offsets that explain each of some groups of units best.

    Found by expectation and maximisation, for all groups at once, shape (groups, k); where
    units tell little they stay near `CHANCES`. ``width`` is how many units
    there are: sums are then the same to the bit whichever groups are asked together.
    """
    like = np.zeros((len(groups), width, len(CHANCES)))
    for g, laws in enumerate(groups):
        logs = laws.log_likelihoods
        like[g, : len(logs)] = np.exp(logs - logs.max(axis=1, keepdims=True))
    units = np.array([len(laws.log_likelihoods) for laws in groups])[:, None]
    chances = np.tile(CHANCES, (len(groups), 1))
    for _ in range(50):
        each = like * chances[:, None, :]
        each = each / np.maximum(each.sum(axis=2, keepdims=True), 1e-300)
        chances = (ONE_OF_MANY * CHANCES + each.sum(axis=1)) / (ONE_OF_MANY + units)
    return chances
