"""Two sessions, or two spans, brought together motion by motion.

Clocks say nothing here: the second session started at another hour and its
operator paused elsewhere. So the motions of each joint are paired in their
order, by likeness, leaving out what has no partner (global alignment of two
sequences by dynamic programming; Needleman and Wunsch, 1970). What differs
is then asked pair by pair, and the answer is the median with an interval
from order statistics, which needs no law of the noise.
"""

from __future__ import annotations

from datetime import datetime

import numpy as np
import polars as pl
from numpy.typing import NDArray

from replay.archive import Archive
from replay.signals.motion.difference_table import DIFFERENCES, difference_table
from replay.signals.motion.motions import known_motions

_SKIP = 1.5
"""What leaving one motion without a partner costs, in distances: two motions
further apart than twice this are never paired."""

_UNLIKE = 2.0
"""Two motions that differ by more than this in any one quantity, in the scales
of `_distances` (twice a quarter of the larger one), are not alike, however
alike the rest: half a degree is no likeness of sixty."""

_LONGEST = 3000
"""Motions of a joint beyond this are paired by blocks; the table of the
alignment grows with the product of the two counts."""


PAIRS_SCHEMA: dict[str, pl.DataType] = {
    "joint": pl.String(),
    "first": pl.Int32(),
    "second": pl.Int32(),
    "distance": pl.Float64(),
    "direction": pl.Int8(),
    "first_start": pl.Datetime("us", "UTC"),
    "second_start": pl.Datetime("us", "UTC"),
    "first_end": pl.Datetime("us", "UTC"),
    "second_end": pl.Datetime("us", "UTC"),
}

Span = tuple[datetime | None, datetime | None]


def pair_motions(first: pl.DataFrame, second: pl.DataFrame) -> pl.DataFrame:
    """Pair the moving stretches of one joint in two sessions, in their order.

    Parameters
    ----------
    first, second : polars.DataFrame
        Columns of `replay.signals.motion.motions.MOTIONS_SCHEMA`, one joint each.

    Returns
    -------
    polars.DataFrame
        One row a pair: the keys of `PAIRS_SCHEMA` and, for each quantity of
        `DIFFERENCES`, ``<name>_first``, ``<name>_second``.
    """
    a, b = _moving(first), _moving(second)
    chosen = [
        (i + at_a, j + at_b, d)
        for at_a, at_b, left, right in _blocks(a, b)
        for i, j, d in _align(_distances(left, right))
    ]
    keep_a = a[[i for i, _, _ in chosen]]
    keep_b = b[[j for _, j, _ in chosen]]
    names = [name for name, _, _ in DIFFERENCES]
    return pl.concat(
        [
            keep_a.select(
                "joint",
                pl.col("number").alias("first"),
                "direction",
                pl.col("start").alias("first_start"),
                pl.col("end").alias("first_end"),
                *(pl.col(n).alias(f"{n}_first") for n in names),
            ),
            keep_b.select(
                pl.col("number").alias("second"),
                pl.col("start").alias("second_start"),
                pl.col("end").alias("second_end"),
                *(pl.col(n).alias(f"{n}_second") for n in names),
            ),
            pl.DataFrame({"distance": [d for _, _, d in chosen]}, schema={"distance": pl.Float64}),
        ],
        how="horizontal",
    ).select([*PAIRS_SCHEMA, *(f"{n}_{side}" for n in names for side in ("first", "second"))])


def compare_sessions(
    archive: Archive,
    first: str,
    second: str,
    *,
    first_span: Span = (None, None),
    second_span: Span = (None, None),
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Compare two sessions (or spans of them) joint by joint.

    Returns
    -------
    differences : polars.DataFrame
        `difference_table` of the pairs, for every joint both sessions have.
    pairs : polars.DataFrame
        All pairs, `pair_motions` of every joint.
    """
    a = _within(known_motions(archive, first), first_span)
    b = _within(known_motions(archive, second), second_span)
    theirs = set(archive.session(second).joints)
    frames = [
        pair_motions(a.filter(pl.col("joint") == joint), b.filter(pl.col("joint") == joint))
        for joint in archive.session(first).joints
        if joint in theirs
    ]
    pairs = pl.concat(frames) if frames else pl.DataFrame(schema=PAIRS_SCHEMA)
    return difference_table(pairs), pairs


def _moving(motions: pl.DataFrame) -> pl.DataFrame:
    return motions.filter(pl.col("motion") == "moving").with_columns(
        current_abs_a=pl.col("current_a").abs()
    )


def _within(motions: pl.DataFrame, span: Span) -> pl.DataFrame:
    start, end = span
    if start is not None:
        motions = motions.filter(pl.col("end") >= start)
    if end is not None:
        motions = motions.filter(pl.col("start") <= end)
    return motions


def _blocks(a: pl.DataFrame, b: pl.DataFrame) -> list[tuple[int, int, pl.DataFrame, pl.DataFrame]]:
    parts = max(1, -(-max(a.height, b.height) // _LONGEST))
    cuts_a = [a.height * k // parts for k in range(parts + 1)]
    cuts_b = [b.height * k // parts for k in range(parts + 1)]
    return [
        (cuts_a[k], cuts_b[k], a[cuts_a[k] : cuts_a[k + 1]], b[cuts_b[k] : cuts_b[k + 1]])
        for k in range(parts)
    ]


def _distances(a: pl.DataFrame, b: pl.DataFrame) -> NDArray[np.float64]:
    """Return how unlike each pair is, shape (len(a), len(b)); inf: never a pair.

    Currents are left out: they are what the comparison is about.
    """
    total = np.zeros((a.height, b.height))
    used = np.zeros((a.height, b.height))
    apart = np.zeros((a.height, b.height), dtype=bool)
    for name, least in (
        ("travel_deg", 2.0),
        ("speed_deg_s", 0.1),
        ("angle_deg", 10.0),
        ("duration_s", 2.0),
        ("payload_kg", 50.0),
    ):
        x = a[name].cast(pl.Float64).to_numpy()[:, None]
        y = b[name].cast(pl.Float64).to_numpy()[None, :]
        scale = np.maximum(least, 0.25 * np.maximum(np.abs(x), np.abs(y)))
        if name == "angle_deg":
            scale = np.full_like(scale, least)
        part = np.minimum(((x - y) / scale) ** 2, 25.0)
        known = np.isfinite(part)
        if name != "angle_deg":  # one motion left out shifts all later postures
            apart |= known & (part > _UNLIKE**2)
        total += np.where(known, part, 0.0)
        used += known
    with np.errstate(invalid="ignore", divide="ignore"):
        distance = np.sqrt(total / used)
    other_way = a["direction"].to_numpy()[:, None] != b["direction"].to_numpy()[None, :]
    distance[other_way | apart | (used == 0)] = np.inf
    return distance


def _align(cost: NDArray[np.float64]) -> list[tuple[int, int, float]]:
    """Return the pairs ``(i, j, distance)`` of the cheapest alignment in order.

    Rows are done one at a time; within a row the step that leaves out a
    column is a running minimum, so that a row costs one vectorised pass.
    """
    n, m = cost.shape
    if n == 0 or m == 0:
        return []
    steps = _SKIP * np.arange(m + 1)
    best = steps.copy()
    came = np.zeros((n, m + 1), dtype=np.int8)  # 0 left out of b, 1 left out of a, 2 a pair
    for i in range(n):
        up = best + _SKIP
        pair = np.full(m + 1, np.inf)
        pair[1:] = best[:-1] + cost[i]
        reach = np.minimum(up, pair)
        own = reach - steps
        low = np.minimum.accumulate(own)
        came[i] = np.where(low < own, 0, np.where(pair <= up, 2, 1))
        best = low + steps
    chosen = []
    i, j = n, m
    while i > 0 and j > 0:
        step = came[i - 1, j]
        if step == 2:
            i, j = i - 1, j - 1
            chosen.append((i, j, float(cost[i, j])))
        elif step == 1:
            i -= 1
        else:
            j -= 1
    return chosen[::-1]
