"""How friction follows temperature: one law for the units of a kind, and each unit's own.

A season and a year's wear look alike in one unit's history. What temperature
does to lubricant is physics that units share, so it is learned from all of
them together: each unit's law is estimated beside a course in time that is
free to bend, the laws are drawn towards their mean by as much as they are
uncertain (random effects: N. M. Laird, J. H. Ware, *Biometrics* 38 (1982)
963-974; the variance between units by the moments of R. DerSimonian, N. Laird,
*Controlled Clinical Trials* 7 (1986) 177-188), and a unit is told what the
*others* know, so that its own history is not counted twice.

The law is a parabola in temperature, in shares of the unit's usual level.
Maintenance does not enter: a note on one unit changes nothing for the others.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.statistics.regression import huber
from replay.statistics.spread import median
from replay.wear.histories.aggregation import averaged
from replay.wear.histories.parting import rows_of_histories

Floats = npt.NDArray[np.float64]

STEP_C = 10.0
"""Kelvin to which the law's coefficients refer."""

COURSE_YEARS = 0.5
"""How often a unit's course in time may bend while its law is estimated. A
season of a year bends faster than the course can follow."""

_NUMBERS = ("value", "temperature_c", "load_nm", "rate_deg_s")
_READ = ("serial", "indicator", "start", "base_end", *_NUMBERS)

LEAST_SESSIONS = 12
LEAST_SPREAD_C = 1.0
LEAST_OTHERS = 2
"""Fewer other units tell nothing about how much units differ."""


@dataclass(frozen=True, slots=True)
class TemperatureLaw:
    """What the others of its kind say about a unit's friction and temperature."""

    reference_c: float
    mean: tuple[float, float]
    """Share of the usual level per `STEP_C`, and per its square."""
    covariance: tuple[tuple[float, float], tuple[float, float]]
    """Of a unit's own law about that mean: between units, and of the mean."""
    units: int
    """How many other units it rests on."""

    def about(self, middle_c: float, spread_c: float) -> tuple[Floats, Floats]:
        """Return mean and covariance for the columns x, x² of x = (T - middle) / spread."""
        s, shift = spread_c / STEP_C, (middle_c - self.reference_c) / STEP_C
        turn = np.array([[s, 2 * s * shift], [0.0, s * s]])
        return turn @ np.array(self.mean), turn @ np.array(self.covariance) @ turn.T


def temperature_laws(table: pl.DataFrame) -> dict[tuple[str, str], TemperatureLaw]:
    """Return each unit's law as the others of its kind know it.

    Parameters
    ----------
    table : DataFrame
        Rows of the archive's ``indicators`` table. Units with the same
        indicator are of a kind; how much they differ is measured, not assumed.

    Returns
    -------
    dict of (serial, indicator) to TemperatureLaw
        Without those that have too few others.
    """
    frame = table.select(_READ).filter(
        pl.col("value").is_finite() & pl.col("temperature_c").is_finite()
    )
    data = {
        "start": frame["start"].dt.timestamp("us").to_numpy(),
        "base_end": frame["base_end"].cast(pl.Categorical).to_physical().to_numpy(),
        "base_b": (frame["base_end"] == "B").fill_null(False).to_numpy().astype(float),
    } | {c: frame[c].cast(pl.Float64).to_numpy() for c in _NUMBERS}
    parts = rows_of_histories(frame, "start")
    of_kind: dict[str, list[Floats]] = {}
    for _, name, rows in parts:
        of_kind.setdefault(name, []).append(data["temperature_c"][rows])
    middle = {name: median(np.concatenate(own)) for name, own in of_kind.items()}
    own: dict[str, dict[str, tuple[Floats, Floats]]] = {}
    for serial, name, rows in parts:
        found = _own_law({c: v[rows] for c, v in data.items()}, middle[name])
        if found is not None:
            own.setdefault(name, {})[serial] = found
    laws: dict[tuple[str, str], TemperatureLaw] = {}
    for serial, name, _ in parts:
        others = [law for key, law in own.get(name, {}).items() if key != serial]
        if len(others) >= LEAST_OTHERS:
            laws[serial, name] = _pooled(others, middle[name])
    return laws


def _own_law(
    part: Mapping[str, npt.NDArray[Any]], reference_c: float
) -> tuple[Floats, Floats] | None:
    """Return one unit's coefficients and their covariance, from its history alone."""
    temperature, values = part["temperature_c"], part["value"]
    if len(values) < LEAST_SESSIONS or np.std(temperature) < LEAST_SPREAD_C:
        return None
    level = median(np.abs(values))
    if not level > 0:
        return None
    start = part["start"]
    years = (start - start[0]) / (365.25 * 86400e6)
    # as shares of the level, so that units of different size say the same
    x = (temperature - reference_c) / STEP_C
    columns = np.column_stack([years, values / level, x, x * x, *_beside(part)])
    columns, weights, _ = averaged(columns, None, np.zeros(len(values), dtype=np.int64))
    design = np.column_stack([columns[:, 2:], _course(columns[:, 0])])
    if len(design) < 2 * design.shape[1]:
        return None
    fit = huber(design, columns[:, 1], weights, rounds=8)
    covariance = fit.covariance[:2, :2]
    if not np.isfinite(covariance).all():
        return None
    return fit.coefficients[:2], covariance


def _beside(part: Mapping[str, npt.NDArray[Any]]) -> list[Floats]:
    """Return the other conditions, standardised, nought where unknown."""
    made = []
    for name in ("load_nm", "rate_deg_s"):
        raw = part[name]
        known = np.isfinite(raw)
        spread = float(np.std(raw[known])) if known.sum() > 3 else 0.0
        if spread > 0:
            made.append(np.where(known, (raw - median(raw[known])) / spread, 0.0))
    if len(np.unique(part["base_end"])) > 1:
        made.append(part["base_b"])
    return made


def _course(years: Floats) -> Floats:
    """Return a level, a line and its bends: the course in time that is no law's."""
    bends = np.arange(COURSE_YEARS, float(years.max()) - COURSE_YEARS / 2, COURSE_YEARS)
    hinge = np.maximum(years[:, None] - bends[None, :], 0.0)
    return np.column_stack([np.ones(len(years)), years, hinge])


def _pooled(laws: list[tuple[Floats, Floats]], reference_c: float) -> TemperatureLaw:
    """Return the mean law of some units, and how a further unit's would lie about it."""
    b = np.array([law for law, _ in laws])
    c = np.array([covariance for _, covariance in laws])
    between = np.diag([_between(b[:, k], c[:, k, k]) for k in range(2)])
    precision = np.linalg.inv(c + between)
    of_mean = np.linalg.inv(precision.sum(axis=0))
    mean = of_mean @ np.einsum("uij,uj->i", precision, b)
    spread = between + of_mean
    return TemperatureLaw(
        reference_c=reference_c,
        mean=(float(mean[0]), float(mean[1])),
        covariance=(
            (float(spread[0, 0]), float(spread[0, 1])),
            (float(spread[1, 0]), float(spread[1, 1])),
        ),
        units=len(laws),
    )


def _between(values: Floats, variances: Floats) -> float:
    """Return the variance between units by DerSimonian and Laird's moments."""
    w = 1.0 / variances
    mean = float(w @ values / w.sum())
    excess = float(w @ (values - mean) ** 2) - (len(values) - 1)
    scale = float(w.sum() - (w @ w) / w.sum())
    return max(excess / scale, 0.0) if scale > 0 else 0.0


Laws = Mapping[tuple[str, str], TemperatureLaw]
