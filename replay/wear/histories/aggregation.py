"""Bring a long history down to medians of neighbouring sessions."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

MOST_POINTS = 400
"""Longer histories are brought down to medians of neighbours."""

POINTS = 240
"""So many at most of a history that is brought down, and one more a section."""


def aggregated(
    t: Floats, y: Floats, weights: Floats | None, sections: npt.NDArray[np.int64]
) -> tuple[Floats, Floats, Floats | None, npt.NDArray[np.int64]]:
    """Return at most about `POINTS` medians of neighbours where there are many sessions."""
    n = len(t)
    if n <= MOST_POINTS:
        return t, y, weights, sections
    firsts, width = parts_of(sections)
    counts = np.diff(np.append(firsts, n))
    # one row a part, short ones filled with what sorts last
    place = firsts[:, None] + np.arange(width)[None, :]
    there = np.arange(width)[None, :] < counts[:, None]
    rows = np.sort(np.where(there, y[np.minimum(place, n - 1)], np.inf), axis=1)
    part = np.arange(len(firsts))
    return (
        np.add.reduceat(t, firsts) / counts,
        (rows[part, (counts - 1) // 2] + rows[part, counts // 2]) / 2,
        None if weights is None else np.add.reduceat(weights, firsts),
        np.asarray(sections[firsts], dtype=np.int64),
    )


def parts_of(sections: npt.NDArray[np.int64]) -> tuple[npt.NDArray[np.int64], int]:
    """Return the first row of each part that neighbours make, and how many a full one has."""
    n = len(sections)
    width = -(-n // POINTS)
    if sections[0] == sections[-1]:
        return np.arange(0, n, width), width
    begins = np.flatnonzero(np.diff(sections, prepend=sections[0] - 1))
    firsts = np.concatenate(
        [np.arange(first, end, width) for first, end in pairwise([*begins.tolist(), n])]
    )
    return firsts, width


def numbers_of(sections: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Return the section numbers that occur; sections follow each other in time."""
    if not len(sections) or sections[0] == sections[-1]:
        return sections[:1]
    return sections[np.flatnonzero(np.diff(sections, prepend=sections[0] - 1))]


def averaged(
    columns: Floats, weights: Floats | None, sections: npt.NDArray[np.int64]
) -> tuple[Floats, Floats | None, npt.NDArray[np.int64]]:
    """Return weighted means of neighbouring sessions, as many as `aggregated` returns.

    Means keep what is linear between the columns, which medians do not.

    Parameters
    ----------
    columns : array of shape (n, k)
    weights : array of shape (n,), optional
    sections : array of int of shape (n,)

    Returns
    -------
    columns, weights, sections
    """
    if len(columns) <= MOST_POINTS:
        return columns, weights, sections
    firsts, _ = parts_of(sections)
    each = np.ones(len(columns)) if weights is None else weights
    total = np.add.reduceat(each, firsts)
    # column by column: rows of few columns are summed far slower
    sums = [np.add.reduceat(each * column, firsts) for column in columns.T]
    return (
        np.column_stack(sums) / total[:, None],
        total,
        np.asarray(sections[firsts], dtype=np.int64),
    )
