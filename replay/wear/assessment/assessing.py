"""One history judged by itself: slope, test, shape, projection.

What a family of histories adds (the false discovery rate) is in `trends`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from replay.statistics.autocorrelation import memory_factor
from replay.statistics.block_slopes import block_slope
from replay.statistics.mixed_slopes import MixedFit, mixed_fit
from replay.statistics.slopes import Slope
from replay.wear.assessment.change_points import Shape, shape
from replay.wear.assessment.delay_slopes import bracketed_slope
from replay.wear.assessment.levels import about_curve, latest_level, offsets
from replay.wear.assessment.projection import Projection, project
from replay.wear.assessment.questions import (
    CHANGE_THAT_MATTERS,
    UnloggedStep,
    asked_steps,
    split_at,
    steps_weighed,
)
from replay.wear.catalogue import describe
from replay.wear.histories.aggregation import aggregated, averaged, numbers_of
from replay.wear.histories.history import Floats, History
from replay.wear.histories.session_weights import session_weights
from replay.wording import counted

FEWEST = 6
"""Sessions below which nothing is said about a trend."""

FEWEST_UNTOLD = 18
"""Sessions below which nothing is said where the load is not told: three to each of
the blocks that a slope then rests on."""

_UNTOLD = "of a joint whose current follows posture or load that nothing tells"

SHORTEST_DAYS = 3.0
"""A history shorter than this shows warming up and the day's work, not wear."""

OWN_SECTION = 12
"""With this many sessions since the last maintenance, only they are used;
with fewer, all sections share a slope and keep their own levels."""

CONFIDENCE = 0.9

BEND = 0.3
"""How much a level's course bends before a history says anything: standard deviation of
the change of its rise from beginning to end, half of it, in shares of the level."""


@dataclass(frozen=True, slots=True)
class Assessment:
    """What one history says; slopes per unit of its axis."""

    history: History
    n: int
    """Sessions that the slope rests on."""
    reason: str
    """Why there is no slope; empty when there is one."""
    slope: Slope | None = None
    p_value: float | None = None
    variance_factor: float = 1.0
    shape: Shape | None = None
    since: int | None = None
    """Index into the history of the session where the change began."""
    level: float = float("nan")
    """Latest level of the trend, under the usual conditions."""
    change: float = float("nan")
    """Slope times the length of the axis it rests on."""
    matters: bool = False
    projection: Projection | None = None
    asked: tuple[UnloggedStep, ...] = ()
    """Steps that no maintenance note explains."""


def assess(history: History, *, limit: float | None = None) -> Assessment:
    """Judge one history.

    Parameters
    ----------
    history : History
    limit : float, optional
        Where the indicator must not go; projected to when given.
    """
    days = float(np.ptp(history.start_us)) / 86400e6 if history.n else 0.0
    if history.n < FEWEST:
        return Assessment(
            history, history.n, f"{counted(history.n, 'session')}, fewer than {FEWEST}"
        )
    if days < SHORTEST_DAYS:
        return Assessment(
            history, history.n, f"the history spans {days:.2g} days, less than {SHORTEST_DAYS:g}"
        )
    first = _first_used(history.sections)
    t, y = history.axis[first:], history.adjusted.values[first:]
    se, sections = history.error[first:], history.sections[first:]
    if np.ptp(t) <= 0:
        return Assessment(history, len(t), "no use is counted between the sessions")
    weights = session_weights(t, y, se, sections)
    # a change of work steps as a change of the unit does, where posture is not told
    asked = asked_steps(t, y, sections, history) if history.posture_told else ()
    noted, sections = sections, split_at(t, sections, asked, describe(history.indicator).worse)
    each, split = (weights, sections), sections
    effects = history.adjusted.effects
    conditions, _, _ = averaged(history.adjusted.columns[first:], weights, sections)
    t, y, weights, sections = aggregated(t, y, weights, sections)
    if not _tells_a_slope(t, sections):
        return Assessment(history, len(y), "no two sessions of a section differ in time")
    left = about_curve(t, y, sections)
    memory = memory_factor(left, sections=sections, parameters=3)
    usual = float(np.median(np.abs(y)))
    own = noted[np.searchsorted(split, sections)]
    fit = mixed_fit(
        t,
        y + conditions @ effects,
        (own[:, None] == numbers_of(own)[None, :]).astype(float),
        _bend(t),
        conditions,
        own=None if weights is None else 1.0 / weights,
        known=history.adjusted.known,
        course_spread=BEND * usual or None,
        chances=history.chances,
        steps=steps_weighed(sections, own, asked, usual),
    )
    shared = fit.offset_factor
    factor = shared * history.adjusted.variance_factor
    slope: Slope | None
    if history.posture_told:
        slope = bracketed_slope(history, first, split, factor, CONFIDENCE) or _slope(fit)
    elif len(y) < FEWEST_UNTOLD:
        return Assessment(
            history,
            len(y),
            f"{counted(len(y), 'session')}, fewer than {FEWEST_UNTOLD} " + _UNTOLD,
        )
    else:
        slope = block_slope(t, y, sections, variance_factor=history.adjusted.variance_factor)
        if slope is None:
            return Assessment(
                history, len(y), "too few blocks between maintenance works " + _UNTOLD
            )
    p = slope.p_value
    moved = slope.slope * float(np.ptp(t))
    flat = y - offsets(t, y, sections, slope.slope)
    moves = shape(t, flat, variance_factor=memory)
    about = describe(history.indicator)
    least = max(CHANGE_THAT_MATTERS * usual, about.least)
    level = latest_level(t, y, sections, slope.slope)
    projection = None
    if limit is not None:
        worse = about.worse
        if worse == "either":
            worse = "up" if limit >= level else "down"
        projection = _projected(history, first, each, limit, worse, shared)
    since = None
    if moves.since is not None:
        since = first + int(np.searchsorted(history.axis[first:], moves.since - 1e-12))
        since = min(since, history.n - 1)
    return Assessment(
        history=history,
        n=history.n - first,
        reason="",
        slope=slope,
        p_value=p,
        variance_factor=factor,
        shape=moves,
        since=since,
        level=level,
        change=moved,
        matters=abs(moved) >= least,
        projection=projection,
        asked=tuple(
            UnloggedStep(first + step.first, first + step.last, step.size) for step in asked
        ),
    )


def _bend(t: Floats) -> Floats:
    x = (t - t.mean()) / (float(np.ptp(t)) or 1.0)
    return np.asarray((x * x)[:, None], dtype=float)


def _slope(fit: MixedFit) -> Slope:
    low, high = fit.interval(CONFIDENCE)
    below = fit.below(0.0)
    return Slope(
        slope=fit.slope,
        low=low,
        high=high,
        p_value=2 * min(below, 1 - below),
    )


def _projected(
    history: History,
    first: int,
    measured: tuple[Floats | None, npt.NDArray[np.int64]],
    limit: float,
    worse: str,
    shared: float,
) -> Projection:
    """Project the values as measured, with their conditions beside them."""
    weights, sections = measured
    t, values = history.axis[first:], history.values[first:]
    conditions = history.adjusted.columns[first:]
    columns, weights, sections = averaged(
        np.column_stack([t, values, conditions]), weights, sections
    )
    return project(
        columns[:, 0],
        columns[:, 1],
        limit,
        worse=worse,
        variance_factor=shared,
        weights=weights,
        conditions=columns[:, 2:],
        known=history.adjusted.known,
        sections=_several(sections),
        confidence=CONFIDENCE,
    )


def _first_used(sections: npt.NDArray[np.int64]) -> int:
    own = int(np.searchsorted(sections, sections[-1]))
    return own if len(sections) - own >= OWN_SECTION else 0


def _several(sections: npt.NDArray[np.int64]) -> npt.NDArray[np.int64] | None:
    return sections if sections[0] != sections[-1] else None


def _tells_a_slope(t: Floats, sections: npt.NDArray[np.int64]) -> bool:
    return any(np.ptp(t[sections == s]) > 0 for s in numbers_of(sections))
