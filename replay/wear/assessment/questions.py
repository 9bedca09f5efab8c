"""Which unlogged steps of a history are asked about, and what they do to its trend."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from replay.statistics.autocorrelation import memory_factor
from replay.statistics.mixed_model import Steps
from replay.wear.assessment.levels import about_curve, offsets
from replay.wear.assessment.unlogged_steps import Step, unlogged_steps
from replay.wear.catalogue import describe
from replay.wear.histories.aggregation import MOST_POINTS, aggregated, parts_of
from replay.wear.histories.history import Floats, History

CHANGE_THAT_MATTERS = 0.02
"""Share of the usual level below which a trend over the whole history is
steady, however certain."""

UNNOTED = 0.1
"""Chance that a history holds a work that nobody noted (common practice, no source)."""

STEP = 0.3
"""How far a level steps there, before the history says anything: standard deviation, as a
share of the level (a new filling of grease; common practice, no source)."""


@dataclass(frozen=True, slots=True)
class UnloggedStep:
    """A step of the level, between two sessions given by their index."""

    after: int
    before: int
    size: float


def asked_steps(
    t: Floats, y: Floats, sections: npt.NDArray[np.int64], history: History
) -> tuple[Step, ...]:
    """Return the steps to ask about: beside the noted works, and big enough to matter."""
    if len(t) > MOST_POINTS:
        few = aggregated(t, y, None, sections)
        begins, _ = parts_of(sections)
        ends = np.append(begins[1:], len(t)) - 1
        # a part's median says on which side most of its rows lie: the step may be inside
        return tuple(
            replace(
                step,
                at=int(begins[step.at]),
                first=int(begins[step.first]) if step.first >= 0 else -1,
                last=int(ends[step.last]),
            )
            for step in asked_steps(few[0], few[1], few[3], history)
        )
    flat = y - offsets(t, y, sections, 0.0)
    steps = unlogged_steps(t, flat)
    # a step looks like memory, so the memory is that of what the step leaves
    if steps and memory_factor(about_curve(t, y, sections), sections=sections, parameters=3) > 1:
        left = flat.copy()
        for step in steps:
            left[step.at :] -= step.size
        memory = memory_factor(about_curve(t, left, sections), sections=sections, parameters=3)
        steps = unlogged_steps(t, flat, variance_factor=memory)
    usual = float(np.median(np.abs(y)))
    least = max(CHANGE_THAT_MATTERS * usual, describe(history.indicator).least)
    return tuple(step for step in steps if abs(step.size) >= least)


def split_at(
    t: Floats, sections: npt.NDArray[np.int64], asked: tuple[Step, ...], worse: str
) -> npt.NDArray[np.int64]:
    """Return the sections, parted where the level stepped for the better.

    Something was done there, noted or not, and the wear before it must not hide
    the wear after it. A step for the worse is wear or damage and stays in the trend.
    """
    out = sections.copy()
    for step in asked:
        if (step.size < 0) == (worse == "up") and worse != "either":
            out[step.at :] += 1
    return out


def steps_weighed(
    sections: npt.NDArray[np.int64],
    noted: npt.NDArray[np.int64],
    asked: tuple[Step, ...],
    level: float,
) -> Steps | None:
    """Return the steps at which `split_at` parted a history, for a fit with them and without.

    A slope beside a step that was sought and found is too sure of it: a stretch of work
    looks like one. Without the step the same values are a trend and what stretches share.

    Parameters
    ----------
    sections, noted : array of shape (n,)
        As parted, and as the noted works part the history.
    asked : tuple of Step
    level : float
        The history's usual level, in the values' unit.
    """
    begins = np.flatnonzero((np.diff(sections) > 0) & (np.diff(noted) == 0)) + 1
    if not len(begins) or not level > 0:
        return None
    after = np.arange(len(sections))[:, None] >= begins[None, :]
    columns = (after & (noted[:, None] == noted[begins][None, :])).astype(float)
    places = float(np.mean([max(step.last - step.first, 1) for step in asked]))
    each = UNNOTED * min(places / len(sections), 0.5)
    return Steps(columns, STEP * level, each ** len(begins))
