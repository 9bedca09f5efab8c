"""A session's motions, sample by sample and in chunks: the table that friction rests on.

A motion is a stretch in one direction. Samples within it are no independent
witnesses, so `chunk_means` averages them into a few chunks, and errors are counted
by motion. What looks at single samples (`residuals`, brake drag) has them from
`motion_samples`; what is fitted to many sessions, or by motion, takes the means.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.wear.measures.measure import Floats, column

SLOW_SHARE = 0.12
"""Rows below this share of the session's top rate are left out: friction
bends upwards there (Stribeck)."""

CHUNKS = 12
"""Chunks a motion, at most."""

FEWEST_ROWS = 8


@dataclass(frozen=True, slots=True)
class Motions:
    """Motions of one joint's session; all arrays have one entry a chunk.

    A chunk is one sample (`motion_samples`) or the mean of several (`chunk_means`);
    ``rows`` says of how many.
    """

    motion: npt.NDArray[np.int64]
    """Number of the chunk's motion, from 0."""
    direction: Floats
    """1 forward, -1 backward."""
    speed: Floats
    """|rate|, deg/s."""
    accel: Floats
    load: Floats
    angle: Floats
    current: Floats
    rows: Floats
    """Samples behind the chunk."""
    first_row: npt.NDArray[np.int64]
    """Row of the joint table at which the chunk begins."""
    middle: list[datetime]
    """Per motion, the instant in its middle."""

    @property
    def count(self) -> int:
        """Number of motions."""
        return len(self.middle)


@dataclass(frozen=True, slots=True)
class MovingRows:
    """A joint table's rows that move fast enough, and the motions that they make."""

    table: pl.DataFrame
    at: npt.NDArray[np.int64]
    """Rows of the table."""
    begins: npt.NDArray[np.bool_]
    """Which of them begin a motion."""


def moving_rows(table: pl.DataFrame) -> MovingRows | None:
    """Find a joint table's motions; None when it hardly moves.

    Parameters
    ----------
    table : DataFrame
        A joint table.
    """
    rate, current = column(table, "rate_deg_s"), column(table, "current_a")
    moving = (table["motion"] == "moving").fill_null(False).to_numpy()
    direction = table["direction"].fill_null(0).to_numpy().astype(float)
    rows = moving & np.isfinite(rate) & np.isfinite(current) & (direction != 0)
    rows &= np.sign(rate) == direction
    if rows.sum() < FEWEST_ROWS:
        return None
    rows &= np.abs(rate) >= SLOW_SHARE * float(np.quantile(np.abs(rate[rows]), 0.95))
    at = np.flatnonzero(rows)
    if len(at) < FEWEST_ROWS:
        return None
    # A new motion begins where rows are not neighbours or the direction turns;
    # one missing row (a stale value, a dropped packet) ends none.
    begins = np.ones(len(at), bool)
    begins[1:] = (np.diff(at) > 2) | (np.diff(direction[at]) != 0)
    return MovingRows(table, at, begins)


def motion_samples(found: MovingRows) -> Motions:
    """Return a joint table's motions sample by sample: each chunk is one row.

    Parameters
    ----------
    found : MovingRows
    """
    table, at, begins = found.table, found.at, found.begins
    rate, current = column(table, "rate_deg_s"), column(table, "current_a")
    direction = table["direction"].fill_null(0).to_numpy().astype(float)
    first = np.flatnonzero(begins)
    length = np.diff([*first, len(at)])
    times = table["time"]
    return Motions(
        motion=np.cumsum(begins) - 1,
        direction=direction[at],
        speed=np.abs(rate)[at],
        accel=np.nan_to_num(column(table, "accel_deg_s2"))[at],
        load=np.nan_to_num(column(table, "load_nm"))[at],
        angle=column(table, "angle_deg")[at],
        current=current[at],
        rows=np.ones(len(at)),
        first_row=at,
        middle=[times[int(at[f + n // 2])] for f, n in zip(first, length, strict=True)],
    )


def chunk_means(samples: Motions, chunks: int = CHUNKS) -> Motions:
    """Return the same motions, each in at most so many chunks of even length.

    Parameters
    ----------
    samples : Motions
        Sample by sample, as `motion_samples` gives them.
    chunks : int
    """
    begins = np.diff(samples.motion, prepend=-1) != 0
    first = np.flatnonzero(begins)
    length = np.diff([*first, len(begins)])
    place = np.arange(len(begins)) - np.repeat(first, length)
    width = np.repeat(np.ceil(length / chunks).astype(int), length)
    starts = np.flatnonzero(begins | (place % width == 0))
    size = np.diff([*starts, len(begins)]).astype(float)

    def mean(x: Floats) -> Floats:
        return np.asarray(np.add.reduceat(x, starts) / size, dtype=float)

    return Motions(
        motion=samples.motion[starts],
        direction=samples.direction[starts],
        speed=mean(samples.speed),
        accel=mean(samples.accel),
        load=mean(samples.load),
        angle=mean(samples.angle),
        current=mean(samples.current),
        rows=size,
        first_row=samples.first_row[starts],
        middle=samples.middle,
    )
