"""Would the dates have been right? Stand in the past, project, compare.

A history whose indicator has crossed its limit tells when it did. At each of
several earlier moments the projection is made from the sessions that were
there then, by the same path as today's. The share of intervals that hold the
moment of crossing should be the confidence that they claim. That moment is what
all sessions together say, under the conditions that were usual at the earlier
one: a date for the cold is not held against a crossing in the warm.

Few units are left in service until they cross a limit. A unit that wears has
crossed other levels on its way, though, and the same question can be asked of
those; such looks are counted apart.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from replay.archive import Archive
from replay.wear.assessment.assessing import CONFIDENCE, assess
from replay.wear.assessment.projection import FEWEST, Projection
from replay.wear.assessment.trend_cache import indicator_rows
from replay.wear.assessment.trends import trends
from replay.wear.catalogue import describe
from replay.wear.histories.history import YEAR_US, Floats, History, histories
from replay.wear.indicators import NOTHING
from replay.wear.units.limits import limit_for, limits
from replay.wear.units.maintenance import maintenance

STANDS = (0.5, 0.6, 0.7, 0.8, 0.9)
"""Shares of the time to the crossing at which one stands and looks ahead."""

REACHED = 0.8
"""Share of its way at which a worn history's own level is asked after."""


@dataclass(frozen=True, slots=True)
class PastProjection:
    """One look ahead from the past; years from the history's first session."""

    serial: str
    indicator: str
    at: float
    crossed: float
    projection: Projection
    of_limit: bool = True
    """Whether the level was a limit; else one that the history has reached."""

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


def level_reached(values: Floats, worse: str) -> float | None:
    """Return the level at `REACHED` of a history's way; None when it went none."""
    sign = 1.0 if worse == "up" else -1.0
    course = _rising(sign * values)
    first, last = float(np.median(course[:5])), float(np.median(course[-5:]))
    return sign * (first + REACHED * (last - first)) if last > first else None


def project_from_the_past(
    rows: pl.DataFrame,
    notes: pl.DataFrame,
    limit: float,
    *,
    shares: Sequence[float] = STANDS,
    of_limit: bool = True,
) -> list[PastProjection]:
    """Return the projections that would have been made before a crossing.

    Parameters
    ----------
    rows : DataFrame
        One indicator of one unit, as in the ``indicators`` table; it has
        crossed ``limit``.
    notes : DataFrame
        Maintenance notes.
    limit : float
    shares : sequence of float
        Where one stands, as shares of the time to the crossing, from the first
        session or the last maintenance work on.
    of_limit : bool
        Kept with each stand.
    """
    crossed = _crossed(rows, notes, limit, None)
    if crossed is None:
        return []
    whole, when = crossed
    begin = int(whole.start_us[int(np.searchsorted(whole.sections, whole.sections[-1]))])
    offset = (begin - int(whole.start_us[0])) / YEAR_US
    start = pl.col("start").dt.timestamp("us")
    stands = []
    for share in shares:
        at = share * (when - offset)
        seen = rows.filter(start <= begin + round(at * YEAR_US))
        if seen.filter(start >= begin).height < 2 * FEWEST:
            continue
        then = next(iter(histories(seen, notes, use=pl.DataFrame())), None)
        found = None if then is None else assess(then, limit=limit).projection
        if then is None or found is None:
            continue
        usual = _crossed(rows, notes, limit, then.adjusted.reference)
        if usual is not None and usual[1] > offset + at:
            stands.append(
                PastProjection(
                    whole.serial, whole.indicator, offset + at, usual[1], found, of_limit
                )
            )
    return stands


def _crossed(
    rows: pl.DataFrame, notes: pl.DataFrame, limit: float, usual: Mapping[str, float] | None
) -> tuple[History, float] | None:
    """Return a history and when it crossed, by all of its sessions; None if it did not."""
    history = next(iter(histories(rows, notes, use=pl.DataFrame(), usual=usual)), None)
    found = None if history is None else assess(history, limit=limit).projection
    if history is None or found is None or found.median is None:
        return None
    return history, found.median


def backtest_projections(
    archive: Archive, *, progress: Callable[[list[str]], Iterable[str]] | None = None
) -> list[PastProjection]:
    """Return looks ahead from the past for every history that went far enough.

    Those that crossed their limit are asked when they would; of those that
    worsen without having crossed one, when they would reach a level on their way.

    Parameters
    ----------
    archive : Archive
    progress : callable, optional
        Takes the list of units' serials and returns an iterable of them.
    """
    table = indicator_rows(archive).filter(pl.col("indicator") != NOTHING)
    if not table.height:
        return []
    notes, bounds = maintenance(archive), limits(archive)
    moving = {(t.serial, t.indicator) for t in trends(archive) if t.result in ("rising", "falling")}
    parts = table.partition_by("serial", as_dict=True)
    serials = sorted(key[0] for key in parts)
    stands: list[PastProjection] = []
    for serial in progress(serials) if progress else serials:
        for rows in parts[(serial,)].partition_by("indicator", maintain_order=True):
            indicator = rows["indicator"][0]
            limit = limit_for(bounds, serial, indicator)
            if limit is None and (serial, indicator) not in moving:
                continue
            history = next(iter(histories(rows, notes, use=pl.DataFrame())), None)
            if history is not None:
                stands += _stands(history, rows, notes, limit, (serial, indicator) in moving)
    return stands


def _stands(
    history: History, rows: pl.DataFrame, notes: pl.DataFrame, limit: float | None, moving: bool
) -> list[PastProjection]:
    worse = describe(history.indicator).worse
    own = history.sections == history.sections[-1]
    if worse == "either" or own.sum() < 2 * FEWEST or describe(history.indicator).counts_use:
        return []
    t, y = history.axis[own], history.adjusted.values[own]
    if limit is not None and crossing(t, y, limit, worse) is not None:
        return project_from_the_past(rows, notes, limit)
    level = level_reached(y, worse) if moving else None
    return [] if level is None else project_from_the_past(rows, notes, level, of_limit=False)


def coverage(stands: Iterable[PastProjection]) -> Coverage:
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
