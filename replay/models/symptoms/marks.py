"""A single finding with a size: a delay, a slip, a step, a silence."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from replay.models.bins import Floats, Ints


@dataclass(slots=True)
class Mark:
    """One finding before anyone says whether its size is normal.

    ``value`` is in the finding's own unit (s, deg, ...), ``detail`` has what
    a sentence about it needs.
    """

    name: str
    start_s: float
    end_s: float
    value: float
    detail: dict[str, Any] = field(default_factory=dict)


def runs(mask: npt.NDArray[np.bool_]) -> tuple[Ints, Ints]:
    """Return first and last index of each run of True."""
    if not mask.size:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    edge = np.diff(mask.astype(np.int8), prepend=0, append=0)
    return np.flatnonzero(edge == 1), np.flatnonzero(edge == -1) - 1


def flat_runs(values: Floats, usable: npt.NDArray[np.bool_]) -> tuple[Ints, Ints]:
    """Return first and last index of each run of exactly equal values."""
    same = np.zeros(values.size, dtype=bool)
    same[1:] = (values[1:] == values[:-1]) & usable[1:] & usable[:-1]
    first, last = runs(same)
    return first - 1, last
