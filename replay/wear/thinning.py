"""Bring a long history down to medians of neighbouring sessions."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

MOST_POINTS = 400
"""Longer histories are brought down to this many medians of neighbours."""


def thinned(
    t: Floats, y: Floats, weights: Floats | None, sections: npt.NDArray[np.int64]
) -> tuple[Floats, Floats, Floats | None, npt.NDArray[np.int64]]:
    """Return at most about `MOST_POINTS` medians of neighbouring sessions."""
    n = len(t)
    if n <= MOST_POINTS:
        return t, y, weights, sections
    width = -(-n // MOST_POINTS)
    begins = np.flatnonzero(np.diff(sections, prepend=sections[0] - 1))
    edges = [k for first, end in pairwise([*begins.tolist(), n]) for k in range(first, end, width)]
    edges.append(n)
    parts = [slice(a, b) for a, b in pairwise(edges)]
    return (
        np.array([np.mean(t[p]) for p in parts]),
        np.array([np.median(y[p]) for p in parts]),
        None if weights is None else np.array([np.sum(weights[p]) for p in parts]),
        np.array([sections[p][0] for p in parts], dtype=np.int64),
    )
