"""What every measure returns, and the statistics that they share."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.statistics.spread import MEDIAN_TO_MEAN_ERROR
from replay.statistics.spread import spread as robust_spread
from replay.wear.catalogue import describe

Floats = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Measure:
    """One indicator of one unit in one session."""

    indicator: str
    unit: str
    value: float
    se: float
    """Standard error; NaN where one event alone gives none."""
    n: int
    """Events, motions or samples behind the figure."""
    at: datetime | None
    """The instant that shows best what the figure is about."""
    low: tuple[float, ...] = ()
    """For a time that sampling only brackets, each event's lower bound."""
    high: tuple[float, ...] = ()


def measure(indicator: str, value: float, se: float, n: int, at: datetime | None) -> Measure | None:
    """Return a measure of a known indicator; None for a value that is no number."""
    if not np.isfinite(value):
        return None
    return Measure(indicator, describe(indicator).unit, float(value), float(se), int(n), at)


def of_events(
    indicator: str,
    values: Floats,
    times: list[datetime | None],
    *,
    least_spread: float | None = None,
) -> Measure | None:
    """Return the median of events, its standard error, and the most typical event.

    The error of a median is 1.2533 times that of a mean for normal values (M.
    G. Kendall, A. Stuart, *The Advanced Theory of Statistics* 1, 14.12); the
    spread is the scaled median absolute deviation. One or two events give
    none; ``least_spread``, where it is known from elsewhere, stands in.
    """
    good = np.flatnonzero(np.isfinite(values))
    if not len(good):
        return None
    known = values[good]
    middle = float(np.median(known))
    k = len(known)
    spread = least_spread if least_spread is not None else float("nan")
    if k >= 3:
        own = robust_spread(known)
        spread = float(np.nanmax([own, float(np.std(known)) * 0.2, spread]))
    se = MEDIAN_TO_MEAN_ERROR * spread / np.sqrt(k)
    typical = int(good[np.argmin(np.abs(known - middle))])
    return measure(indicator, middle, se, k, times[typical])


def column(table: pl.DataFrame, name: str) -> Floats:
    """Return a numeric column as floats, null as NaN."""
    return table[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()


def step_s(table: pl.DataFrame) -> float:
    """Return the usual time between samples, in seconds."""
    t = table["t_s"].to_numpy()
    return float(np.median(np.diff(t))) if len(t) > 1 else float("nan")
