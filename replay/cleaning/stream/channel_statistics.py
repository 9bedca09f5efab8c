"""Watch the clean samples of each channel go by, and tell what is odd.

Nothing is changed here but one thing: an angle that wraps is unwrapped, so
that it can be interpolated. The rest (stuck values, rails, impossible steps)
is noted only; what it means is for the checks to say.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import polars as pl

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

STUCK_SAMPLES = 25
"""So many equal values in a row are looked at (half a second at 50 Hz)."""
STUCK_ELSEWHERE = 0.05
"""A channel that repeats itself more often than this elsewhere is quantised
or at rest, and its runs prove nothing."""
STUCK_JUMP = 8.0
"""An angle that hung comes back by a change this many times the usual one."""
RAIL_SAMPLES = 8
"""So many neighbouring samples on the largest or smallest value make a rail."""
WRAP_EDGE_DEG = 30.0
_KEPT = 50


@dataclass(slots=True)
class ChannelStatistics:
    """State of one numeric channel between blocks."""

    name: str
    quantity: str
    step_limit: float = np.inf
    """A larger change between neighbours at the nominal rate is impossible."""
    may_wrap: bool = False
    """An angle that would be unwrapped if it stays inside one turn."""
    count: int = 0
    repeats: int = 0
    low: float = np.inf
    high: float = -np.inf
    low_runs: int = 0
    high_runs: int = 0
    turns: float = 0.0
    wraps: int = 0
    wrap_first: int = 0
    wrap_last: int = 0
    steps: list[int] = field(default_factory=list)
    step_count: int = 0
    largest_step: float = 0.0
    runs: list[tuple[int, int, int, float, float]] = field(default_factory=list)
    """Start, end, samples, value, and the change that ended the run; NaN at the end of the log."""
    moved: float = 0.0
    """Sum of the sizes of all changes."""
    _last: float | None = None
    _last_raw: float | None = None
    _raw_low: float = np.inf
    _raw_high: float = -np.inf
    _last_ns: int = 0
    _run_start: int = 0
    _run_length: int = 0

    def look(self, values: pl.Series, ns: Ints, nominal_ns: int) -> pl.Series:
        """Take the next samples; return them, unwrapped if that is called for."""
        keep = values.is_not_null().to_numpy() if values.null_count() else None
        array = values.to_numpy() if keep is None else values.drop_nulls().to_numpy()
        instants = ns if keep is None else ns[keep]
        if not len(array):
            return values
        change = self._change(array, self._last_raw if self.may_wrap else self._last)
        if self.may_wrap:
            array, changed = self._unwrap(array, change, instants)
            if changed:
                full = np.full(len(values), np.nan)
                full[slice(None) if keep is None else keep] = array
                values = pl.Series(values.name, full)
                if keep is not None:
                    values = values.fill_nan(None)
                change = self._change(array, self._last)
        self._extremes(array)
        if np.isfinite(self.step_limit):
            self._steps(np.abs(change), instants, nominal_ns)
        self._runs(array, change, instants, fresh=self._last is None)
        self.count += len(array)
        self._last, self._last_ns = float(array[-1]), int(instants[-1])
        return values

    @staticmethod
    def _change(array: Floats, before: float | None) -> Floats:
        change = np.empty_like(array)
        np.subtract(array[1:], array[:-1], out=change[1:])
        change[0] = 0.0 if before is None else array[0] - before
        return change

    def stuck(self) -> list[tuple[int, int, int, float]]:
        """Return ``(start, end, samples, value)`` of runs that prove a stuck value."""
        self._close_run(self._last_ns)
        inside = sum(r[2] for r in self.runs)
        elsewhere = (self.repeats - inside) / max(self.count - inside, 1)
        if elsewhere > STUCK_ELSEWHERE:
            return []
        return sorted((s, e, n, v) for s, e, n, v, jump in self.runs if self._proves(v, jump))

    def _proves(self, value: float, jump: float) -> bool:
        """Tell whether a run is more than rest: a joint that stands repeats its angle.

        A true angle goes on from where it stood, and a value that hung jumps to
        where the joint went meanwhile. No rate, and no current, is rest too.
        """
        if self.quantity != "angle_deg":
            return value != 0.0
        usual = self.moved / max(self.count - self.repeats, 1)
        return jump > STUCK_JUMP * usual

    def rails(self) -> list[tuple[float, int]]:
        """Return ``(value, samples)`` of rails that the channel lies on."""
        if self.count == 0 or self.repeats > 0.5 * self.count:
            return []
        found = [(self.low, self.low_runs), (self.high, self.high_runs)]
        return [(v, n) for v, n in found if n >= RAIL_SAMPLES and v != 0.0]

    def _extremes(self, array: Floats) -> None:
        if self.quantity != "current_a":
            return
        low, high = float(array.min()), float(array.max())
        for value, better, name in ((low, low < self.low, "low"), (high, high > self.high, "high")):
            if better:
                setattr(self, name, value)
                setattr(self, f"{name}_runs", 0)
        if low == self.low:
            self.low_runs += _neighbours(array == low)
        if high == self.high:
            self.high_runs += _neighbours(array == high)

    def _steps(self, size: Floats, ns: Ints, nominal_ns: int) -> None:
        if float(size.max()) <= self.step_limit:
            return
        before = self._last_ns if self._last is not None else int(ns[0])
        spans = np.maximum(np.diff(ns, prepend=before) / nominal_ns, 1.0)
        where = np.flatnonzero(size > self.step_limit * spans)
        if len(where):
            self.step_count += len(where)
            self.steps += [int(n) for n in ns[where[: max(_KEPT - len(self.steps), 0)]]]
            self.largest_step = max(self.largest_step, float(size[where].max()))

    def _runs(self, array: Floats, change: Floats, ns: Ints, fresh: bool) -> None:
        moving = change != 0.0
        if fresh:
            moving[0] = True
        self.repeats += int(len(array) - moving.sum())
        sizes = np.abs(change)
        self.moved += float(sizes.sum())
        starts = np.flatnonzero(moving)
        if not len(starts):
            self._run_length += len(array)
            return
        self._run_length += int(starts[0])
        ended = int(ns[starts[0] - 1]) if starts[0] else self._last_ns
        self._close_run(ended, float(sizes[starts[0]]))
        lengths = np.diff(starts)
        for k in np.flatnonzero(lengths >= STUCK_SAMPLES):
            begin, end = starts[k], starts[k + 1] - 1
            jump = float(sizes[end + 1])
            self._add_run(int(ns[begin]), int(ns[end]), int(lengths[k]), float(array[begin]), jump)
        self._run_start = int(ns[starts[-1]])
        self._run_length = len(array) - int(starts[-1])

    def _close_run(self, end_ns: int, jump: float = np.nan) -> None:
        if self._run_length >= STUCK_SAMPLES and self._last is not None:
            self._add_run(self._run_start, end_ns, self._run_length, self._last, jump)
        self._run_length = 0

    def _add_run(self, start: int, end: int, length: int, value: float, jump: float) -> None:
        self.runs.append((start, end, length, value, jump))
        if len(self.runs) > _KEPT:
            self.runs = heapq.nlargest(_KEPT, self.runs, _length)

    def _unwrap(self, array: Floats, change: Floats, ns: Ints) -> tuple[Floats, bool]:
        self._raw_low = min(self._raw_low, float(array.min()))
        self._raw_high = max(self._raw_high, float(array.max()))
        high = 180.0 if self._raw_low < -0.5 else 360.0
        low = high - 360.0
        if (self._raw_low < low - 0.5 or self._raw_high > high + 0.5) and not self.wraps:
            self.may_wrap = False  # it goes beyond one turn, so nothing wraps
            return array, False
        self._last_raw = float(array[-1])
        if max(float(change.max()), -float(change.min())) < 360.0 - 2 * WRAP_EDGE_DEG:
            return (array + self.turns, True) if self.turns else (array, False)
        previous = array - change
        falls = (previous > high - WRAP_EDGE_DEG) & (array < low + WRAP_EDGE_DEG)
        rises = (previous < low + WRAP_EDGE_DEG) & (array > high - WRAP_EDGE_DEG)
        crossings = falls | rises
        if not crossings.any() and self.turns == 0.0:
            return array, False
        if crossings.any():
            where = ns[crossings]
            self.wrap_first = self.wrap_first or int(where[0])
            self.wrap_last = int(where[-1])
            self.wraps += len(where)
        turns = self.turns + 360.0 * np.cumsum(falls.astype(np.int64) - rises.astype(np.int64))
        self.turns = float(turns[-1])
        return array + turns, True


def _neighbours(mask: npt.NDArray[np.bool_]) -> int:
    """Count the samples of a mask whose next sample is in it too."""
    return int((mask[1:] & mask[:-1]).sum())


def _length(run: tuple[int, int, int, float, float]) -> int:
    return run[2]
