"""Would the dates have been right? Stand in the past, project, compare.

A history whose indicator has crossed its limit tells when it truly did. At
each of several earlier sessions the projection is made from what was known
then. The share of intervals that hold the true moment should be the
confidence that they claim.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from replay.archive import Archive
from replay.wear.assessing import CONFIDENCE
from replay.wear.catalogue import describe
from replay.wear.histories import Floats, histories
from replay.wear.indicators import NOTHING
from replay.wear.keeping import indicator_rows
from replay.wear.limits import limit_for, limits
from replay.wear.maintenance import maintenance
from replay.wear.projection import FEWEST, Projection, project
from replay.wear.ranks import memory_factor

STANDS = (0.5, 0.6, 0.7, 0.8, 0.9)
"""Shares of the time to the crossing at which one stands and looks ahead."""


@dataclass(frozen=True, slots=True)
class Stand:
    """One look ahead from the past; times in the history's own unit."""

    serial: str
    indicator: str
    at: float
    crossed: float
    projection: Projection

    @property
    def held(self) -> bool:
        """Whether the interval holds the true crossing; beyond counts as later."""
        low = np.inf if self.projection.low is None else self.projection.low
        high = np.inf if self.projection.high is None else self.projection.high
        return bool(low <= self.crossed <= high)


@dataclass(frozen=True, slots=True)
class Coverage:
    """How often the intervals held, beside how often they claim to."""

    stands: int
    held: int
    claimed: float

    @property
    def share(self) -> float | None:
        """Share of intervals that held; None without any."""
        return self.held / self.stands if self.stands else None


def crossing(times: Floats, values: Floats, limit: float, worse: str) -> float | None:
    """Return when a history crossed a limit for good, None when it did not.

    The course is the best one that never turns back (isotonic regression by
    pooling adjacent violators: R. E. Barlow and others, *Statistical Inference
    under Order Restrictions*, 1972).
    """
    sign = 1.0 if worse == "up" else -1.0
    course = _rising(sign * values)
    over = np.flatnonzero(course >= sign * limit)
    if not len(over) or over[0] == 0 or len(over) < 3:
        return None
    k = int(over[0])
    step = course[k] - course[k - 1]
    share = (sign * limit - course[k - 1]) / step if step > 0 else 1.0
    return float(times[k - 1] + share * (times[k] - times[k - 1]))


def stand_back(
    times: Floats,
    values: Floats,
    limit: float,
    crossed: float,
    *,
    worse: str = "up",
    serial: str = "",
    indicator: str = "",
    shares: Sequence[float] = STANDS,
) -> list[Stand]:
    """Return the projections that would have been made before a known crossing."""
    stands = []
    for share in shares:
        at = times[0] + share * (crossed - times[0])
        seen = times <= at
        if seen.sum() < 2 * FEWEST:
            continue
        t, y = times[seen], values[seen]
        curve = np.polynomial.polynomial.polyfit(t - t[0], y, 2)
        rest = y - np.polynomial.polynomial.polyval(t - t[0], curve)
        found = project(
            t,
            y,
            limit,
            worse=worse,
            variance_factor=memory_factor(rest, parameters=3),
            confidence=CONFIDENCE,
        )
        stands.append(Stand(serial, indicator, float(at), crossed, found))
    return stands


def look_back(archive: Archive) -> list[Stand]:
    """Return a look ahead from the past for every history that crossed its limit."""
    table = indicator_rows(archive)
    bounds = limits(archive)
    if not table.height:
        return []
    stands: list[Stand] = []
    table = table.filter(pl.col("indicator") != NOTHING)
    for history in histories(table, maintenance(archive), use=pl.DataFrame()):
        limit = limit_for(bounds, history.serial, history.indicator)
        worse = describe(history.indicator).worse
        own = history.sections == history.sections[-1]
        if limit is None or worse == "either" or own.sum() < 2 * FEWEST:
            continue
        t, y = history.axis[own], history.levelled.values[own]
        crossed = crossing(t, y, limit, worse)
        if crossed is not None:
            stands += stand_back(
                t, y, limit, crossed, worse=worse, serial=history.serial,
                indicator=history.indicator,
            )  # fmt: skip
    return stands


def coverage(stands: Iterable[Stand]) -> Coverage:
    """Return how often the intervals held."""
    held = [s.held for s in stands]
    return Coverage(len(held), sum(held), CONFIDENCE)


def _rising(values: Floats) -> Floats:
    """Return the closest course that never falls."""
    levels: list[float] = []
    sizes: list[int] = []
    for value in values:
        levels.append(float(value))
        sizes.append(1)
        while len(levels) > 1 and levels[-2] > levels[-1]:
            size = sizes[-2] + sizes[-1]
            merged = (levels[-2] * sizes[-2] + levels[-1] * sizes[-1]) / size
            levels[-2:], sizes[-2:] = [merged], [size]
    return np.repeat(levels, sizes)
