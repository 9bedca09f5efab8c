"""Stretches of True in a row of flags."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Indices = npt.NDArray[np.int64]


def run_edges(flags: npt.NDArray[np.bool_]) -> tuple[Indices, Indices]:
    """Return where stretches of True begin, and one past where they end.

    Parameters
    ----------
    flags : array of bool, shape (n,)

    Returns
    -------
    first, past : arrays of int, shape (number of stretches,)

    Examples
    --------
    >>> [e.tolist() for e in run_edges(np.array([True, True, False, True]))]
    [[0, 3], [2, 4]]
    """
    edge = np.diff(flags.astype(np.int8), prepend=0, append=0)
    return np.flatnonzero(edge == 1).astype(np.int64), np.flatnonzero(edge == -1).astype(np.int64)


def runs(flags: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return the stretches of True as pairs: first index, one past the last.

    Examples
    --------
    >>> runs(np.array([True, True, False, True]))
    [(0, 2), (3, 4)]
    """
    return [(int(a), int(b)) for a, b in zip(*run_edges(flags), strict=True)]
