"""The drag of one joint, release by release, round an event.

A brake that rubs does so from the moment it was released until it engages
again, and most often not in the releases before and after; friction of the
gear or the bearing begins in the middle of motion, or outlasts a brake cycle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from replay.models.bins import MOVING, Floats
from replay.models.trace import Trace

NEXT_S = 15.0
"""So much motion of the releases before and after is compared, s."""

ENOUGH_S = 0.6
"""Less motion than this says nothing about a level, s."""

ENDS_S = 2.0
"""Nor does less than this between event and brake: speeding up and slowing down."""

STANDS, LEFT = 0.45, 0.3
"""A level of at least the first share of the event's stands already; of less than the
second, nothing is left of it. Between releases a growing drag may have been small."""


@dataclass(slots=True)
class Stretches:
    """Drag beyond the expected in A, and where it was measured; NaN: no motion there."""

    known: bool
    """The log tells when the brake was engaged, and a release precedes the event."""
    count: int
    """Releases in which the event has motion."""
    event_a: float
    head_a: float
    """From the release to the event's onset."""
    head_s: float
    tail_a: float
    """From the event's end to the engagement."""
    tail_s: float
    before_a: float
    """In the release before."""
    after_a: float
    """In the release after."""
    released_s: float
    """When the brake was released, seconds from the session's start."""
    engaged_s: float

    @property
    def from_release(self) -> bool:
        """Tell whether the drag is there from the first motion after the release."""
        return self.known and (
            not np.isfinite(self.head_a) or self._like(self.head_a, STANDS) or self.head_s < ENDS_S
        )

    @property
    def elsewhere(self) -> bool:
        """Tell whether the drag is there in another release as well."""
        return self.count > 1 or self._like(self.before_a, LEFT) or self._like(self.after_a, LEFT)

    @property
    def gone(self) -> bool:
        """Tell whether another release was seen without the drag."""
        others = [a for a in (self.before_a, self.after_a) if np.isfinite(a)]
        return bool(others) and not any(self._like(a, LEFT) for a in others)

    @property
    def turned(self) -> bool:
        """Tell whether another release shows as much drag the other way: no drag at all."""
        if not self.event_a > 0:
            return False
        return any(-1.6 < a / self.event_a < -0.6 for a in (self.before_a, self.after_a))

    @property
    def left_early(self) -> bool:
        """Tell whether the drag was over before the brake engaged again."""
        known = np.isfinite(self.tail_a) and self.tail_s >= ENDS_S
        return bool(known) and not self._like(self.tail_a, STANDS)

    def _like(self, level_a: float, share: float) -> bool:
        known = np.isfinite(level_a) and self.event_a != 0
        return bool(known and level_a / self.event_a > share)


def stretches_round(trace: Trace, start_s: float, end_s: float) -> Stretches:
    """Measure the drag from release to engagement round an event, and beyond it."""
    bins = trace.bins
    engaged = np.nan_to_num(bins.engaged, nan=0.0) == 1.0
    moving = (bins.motion == MOVING) & np.isfinite(trace.rest) & ~engaged
    inside = (bins.end_s >= start_s) & (bins.start_s <= end_s)
    drag = trace.rest * trace.side
    number = np.cumsum(np.diff(engaged.astype(np.int8), prepend=0) == -1)
    seconds = trace.seconds
    event = moving & inside
    if not engaged.any() or not event.any():
        nan = float("nan")
        return Stretches(False, 1, _mean(drag[event]), nan, 0.0, nan, 0.0, *[nan] * 4)
    spent = np.bincount(number[event], weights=seconds[event])
    main = int(np.argmax(spent))
    mine = moving & (number == main)
    own = np.flatnonzero((number == main) & ~engaged)
    head = mine & (bins.end_s < start_s)
    others = np.unique(number[moving])
    earlier, later = others[others < main], others[others > main]
    before = moving & (number == earlier[-1]) if earlier.size else np.zeros_like(moving)
    after = moving & (number == later[0]) if later.size else np.zeros_like(moving)
    tail = mine & (bins.start_s > end_s)
    last = np.flatnonzero(before)
    if last.size:
        left = np.cumsum(seconds[last][::-1])[::-1]
        before[last[left > NEXT_S]] = False
    following = np.flatnonzero(after)
    if following.size:
        after[following[np.cumsum(seconds[following]) > NEXT_S]] = False
    return Stretches(
        known=main > 0 or bool(engaged[: own[0]].any()),
        count=int(np.sum(spent >= ENOUGH_S)),
        event_a=_mean(drag[event & (number == main)]),
        head_a=_level(drag, seconds, head),
        head_s=float(seconds[head].sum()),
        tail_a=_level(drag, seconds, tail),
        tail_s=float(seconds[tail].sum()),
        before_a=_level(drag, seconds, before & ~inside),
        after_a=_level(drag, seconds, after & ~inside),
        released_s=float(bins.start_s[own[0]]),
        engaged_s=float(bins.end_s[own[-1]]),
    )


def _level(drag: Floats, seconds: Floats, rows: npt.NDArray[np.bool_]) -> float:
    return _mean(drag[rows]) if seconds[rows].sum() >= ENOUGH_S else float("nan")


def _mean(values: Floats) -> float:
    good = values[np.isfinite(values)]
    return float(np.mean(good)) if good.size else float("nan")
