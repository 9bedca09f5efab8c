"""Channels of a log brought to even instants; the search is done once a stream."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from replay.models.grid.filters import means
from replay.models.residuals import Codes, Flags, Floats
from replay.signals.carry import CARRY_STEPS
from replay.signals.channels import Channels
from replay.signals.motion.breaks import unwrapped


class Rows:
    """Channels brought to the grid's instants; the search is done once a stream."""

    def __init__(self, channels: Channels, times: NDArray[np.int64], each: int) -> None:
        self.channels, self.times, self.each = channels, times, each
        self._found: dict[tuple[int, int, int], tuple[NDArray[np.intp], Floats, Flags]] = {}

    def numbers(self, name: str, *, unwrap: bool = False) -> Floats | None:
        """Return a channel at the fine instants; None when it was not logged.

        Values are interpolated over at most `CARRY_STEPS` of the channel's own steps.
        """
        found = self.channels.numbers(name)
        if not len(found.values):
            return None
        left, share, inside = self._places(found.time_ns)
        values = unwrapped(found.values) if unwrap else found.values
        low = values[left]
        out: Floats = low + (values[np.minimum(left + 1, len(values) - 1)] - low) * share
        if not inside.all():
            out[~inside] = np.nan
        return out

    def means(self, name: str, *, unwrap: bool = False) -> Floats:
        """Return a channel's sub-block means, NaN where it was not logged."""
        found = self.numbers(name, unwrap=unwrap)
        if found is None:
            return np.full(len(self.times) // self.each, np.nan)
        return means(found, self.each)

    def codes(self, name: str, sub_ns: NDArray[np.int64]) -> Codes:
        """Return a switch at the sub-blocks' middles, -1 where unknown."""
        return self.channels.codes(name, sub_ns)

    def _places(self, time_ns: NDArray[np.int64]) -> tuple[NDArray[np.intp], Floats, Flags]:
        key = (len(time_ns), int(time_ns[0]), int(time_ns[len(time_ns) // 2]))
        if key not in self._found:
            after = np.searchsorted(time_ns, self.times, side="right")
            left = np.maximum(after - 1, 0)
            right = np.minimum(after, len(time_ns) - 1)
            step = time_ns[right] - time_ns[left]
            age = self.times - time_ns[left]
            share = np.divide(age, step, out=np.zeros(len(age)), where=step > 0)
            usual = float(np.median(np.diff(time_ns[:20_000]))) if len(time_ns) > 1 else 0.0
            inside = (after > 0) & (
                (age == 0) | ((after < len(time_ns)) & (step <= CARRY_STEPS * usual))
            )
            self._found[key] = (left, share, inside)
        return self._found[key]
