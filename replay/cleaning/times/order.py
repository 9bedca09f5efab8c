"""Put instants in rising order with a short look ahead, in bounded memory.

A late row is moved to its place if it comes at most `WINDOW` rows late. A
row later than that shows a clock that was set back: what it says cannot be
told from what was already said for that time, so it is set aside. So are
late rows whose place is taken: rows that were missing leave a hole to come
back to, a clock that was set back leaves none. Of rows
with one instant the first of those with most values is kept. A row whose clock jumped away and
came back at once is set aside too, as are the first rows of a recorder whose clock was
not set yet. All of it is counted, with rows and times.

Longer than 245 lines because whether a row is late, a spike or a clock set back is one decision
on one window.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.statistics.runs import runs

Ints = npt.NDArray[np.int64]

WINDOW = 64
_MEDIAN = 5
"""Half width of the median that a clock spike is held against."""
_KEPT = 100
_ANEW = 0.9
"""A clock that goes back by this share of the time since the first row begins anew."""
_UNSET_NS = 30 * 86_400 * 1_000_000_000
_UNSET_SHARE = 4
"""First rows that lie more than 30 days before the others, and are at most a fourth of them,
come from before the recorder's clock was set (common practice, no source)."""
_RUN = 3
"""From so many late rows in a row on, a hole to put them in is asked for."""
_TAKEN = 0.5
"""Rows too many for each late one, from which their place counts as taken."""


@dataclass(slots=True)
class Lapse:
    """Rows to which one thing happened."""

    count: int = 0
    rows: list[int] = field(default_factory=list)
    first_ns: int = 0
    last_ns: int = 0

    def add(self, rows: Ints, ns: Ints) -> None:
        """Count rows and widen the span of their instants."""
        if not len(rows):
            return
        low, high = int(ns.min()), int(ns.max())
        self.first_ns = low if not self.count else min(self.first_ns, low)
        self.last_ns = high if not self.count else max(self.last_ns, high)
        self.count += len(rows)
        self.rows += [int(r) for r in rows[: max(_KEPT - len(self.rows), 0)]]


@dataclass(slots=True)
class Orderer:
    """Takes blocks in file order, gives frames in rising time."""

    nominal_ns: int
    reordered: Lapse = field(default_factory=Lapse)
    duplicates: Lapse = field(default_factory=Lapse)
    contradictions: Lapse = field(default_factory=Lapse)
    joined: Lapse = field(default_factory=Lapse)
    """Rows that said of an instant what another row of it did not, and were put into one."""
    set_back: Lapse = field(default_factory=Lapse)
    spikes: Lapse = field(default_factory=Lapse)
    largest_set_back_ns: int = 0
    began_anew: bool = False
    """The clock went back to about where the log began, as another run of it does."""
    out_rows: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    """Numbers in the file of the rows that were last given out."""
    _frame: pl.DataFrame | None = None
    _ns: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    _rows: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    _floor: int | None = None
    _begun: bool = False
    _first_ns: int = 0
    _undecided_ns: int | None = None
    """Least instant of a late run that the next block may go on with."""

    def push(self, frame: pl.DataFrame, ns: Ints, rows: Ints) -> tuple[pl.DataFrame, Ints]:
        """Add a block; return what can no longer change, in order."""
        return self._step(frame, ns, rows, last=False)

    def finish(self, drop_row: int | None = None) -> tuple[pl.DataFrame, Ints]:
        """Return what is left; ``drop_row`` is left out of it."""
        if self._frame is None:
            return pl.DataFrame(), self._ns
        if drop_row is not None:
            keep = self._rows != drop_row
            self._frame = self._frame.filter(pl.Series(keep))
            self._ns, self._rows = self._ns[keep], self._rows[keep]
        return self._step(self._frame.clear(), self._ns[:0], self._rows[:0], last=True)

    def _step(
        self, frame: pl.DataFrame, ns: Ints, rows: Ints, last: bool
    ) -> tuple[pl.DataFrame, Ints]:
        if self._frame is not None and self._frame.height:
            frame = pl.concat([self._frame, frame])
            ns = np.concatenate([self._ns, ns])
            rows = np.concatenate([self._rows, rows])
        if self._floor is None and not self._begun and len(ns):
            self._begun = True
            early = self._before_the_clock_was_set(ns)
            frame, ns, rows = self._without(frame, ns, rows, early, self.spikes)
            self._first_ns = int(ns[0])
        rising = bool(np.all(np.diff(ns) > 0)) and (
            self._floor is None or not len(ns) or ns[0] > self._floor
        )
        if not rising:
            frame, ns, rows = self._without(frame, ns, rows, self._spikes(ns, last), self.spikes)
            frame, ns, rows = self._without_set_back(frame, ns, rows, last)
            rising = bool(np.all(np.diff(ns) > 0))
        ready = len(ns) if last else max(len(ns) - WINDOW, 0)
        if rising:
            out, out_ns = frame.head(ready), ns[:ready]
            self.out_rows = rows[:ready]
            self._keep(frame.slice(ready), ns[ready:], rows[ready:])
        else:
            out, out_ns = self._sorted(frame, ns, rows, ready)
        if len(out_ns):
            self._floor = int(out_ns[-1])
        return out, out_ns

    def _sorted(
        self, frame: pl.DataFrame, ns: Ints, rows: Ints, ready: int
    ) -> tuple[pl.DataFrame, Ints]:
        limit = int(np.max(ns[:ready])) if ready else -(1 << 62)
        if self._undecided_ns is not None:
            limit = min(limit, self._undecided_ns - 1)
        out = ns <= limit
        order = np.argsort(ns[out], kind="stable")
        frame_out, ns_out, rows_out = frame.filter(pl.Series(out))[order], ns[out][order], rows[out]
        moved = rows_out[ns[out] < np.maximum.accumulate(ns[out])]
        rows_out = rows_out[order]
        self.reordered.add(moved, ns_out[np.isin(rows_out, moved)])
        same = np.zeros(len(ns_out), dtype=np.bool_)
        same[1:] = np.diff(ns_out) == 0
        if same.any():
            keep = _fullest(frame_out, ~same)
            joined, fate = _joined(frame_out, keep, np.cumsum(~same) - 1)
            for lapse, mine in (
                (self.duplicates, fate == _REPEATS),
                (self.contradictions, fate == _CONTRADICTS),
                (self.joined, fate == _ADDS),
            ):
                lapse.add(rows_out[mine], ns_out[mine])
            frame_out, ns_out, rows_out = joined, ns_out[keep], rows_out[keep]
        self.out_rows = rows_out
        self._keep(frame.filter(pl.Series(~out)), ns[~out], rows[~out])
        return frame_out, ns_out

    @staticmethod
    def _before_the_clock_was_set(ns: Ints) -> npt.NDArray[np.bool_]:
        """Find first rows that lie months before all that follow."""
        jumps = np.flatnonzero(np.diff(ns[: WINDOW + 1]) > _UNSET_NS)
        last = int(jumps[-1]) + 1 if len(jumps) else 0
        few = last * _UNSET_SHARE <= len(ns)
        mask = np.zeros(len(ns), dtype=np.bool_)
        mask[: last if few else 0] = True
        return mask

    def _keep(self, frame: pl.DataFrame, ns: Ints, rows: Ints) -> None:
        self._frame, self._ns, self._rows = frame, ns, rows

    def _without(
        self, frame: pl.DataFrame, ns: Ints, rows: Ints, mask: npt.NDArray[np.bool_], lapse: Lapse
    ) -> tuple[pl.DataFrame, Ints, Ints]:
        if not mask.any():
            return frame, ns, rows
        lapse.add(rows[mask], ns[mask])
        return frame.filter(pl.Series(~mask)), ns[~mask], rows[~mask]

    def _without_set_back(
        self, frame: pl.DataFrame, ns: Ints, rows: Ints, last: bool
    ) -> tuple[pl.DataFrame, Ints, Ints]:
        self._undecided_ns = None
        if not len(ns):
            return frame, ns, rows
        highest = np.maximum.accumulate(ns)
        place = np.searchsorted(highest, ns, side="left")
        mask = ((rows - rows[place]) > WINDOW) & (ns < highest)
        if self._floor is not None:
            same = ns == self._floor
            if same.any():
                self.contradictions.add(rows[same], ns[same])
                frame, ns, rows = frame.filter(pl.Series(~same)), ns[~same], rows[~same]
                highest, mask = highest[~same], mask[~same]
                if not len(ns):
                    return frame, ns, rows
            mask |= ns < self._floor
        late = _late(ns, highest, bool(mask[0]))
        for begin, end in runs(late):
            mine = np.flatnonzero(~mask[begin:end]) + begin
            if not len(mine):
                continue
            if end == len(ns) and not last and end - begin <= 2 * WINDOW:
                self._undecided_ns = int(ns[mine].min())
            elif end - begin >= _RUN and self._is_taken(frame, ns, mine, int(begin)):
                mask[mine] = True
        if mask.any():
            ahead = np.maximum(highest[mask], self._floor if self._floor is not None else 0)
            back = ahead - ns[mask]
            self.largest_set_back_ns = max(self.largest_set_back_ns, int(np.max(back)))
            self.began_anew |= bool((back >= _ANEW * (ahead - self._first_ns)).any())
        return self._without(frame, ns, rows, mask, self.set_back)

    def _is_taken(
        self, frame: pl.DataFrame, ns: Ints, mine: npt.NDArray[np.intp], begin: int
    ) -> bool:
        """Tell whether earlier rows already say of these rows' time what they say of it.

        Rows that repeat earlier ones word for word, or speak of other channels, do not count.
        """
        low, high = int(ns[mine].min()), int(ns[mine].max())
        theirs = np.flatnonzero((ns[:begin] >= low) & (ns[:begin] <= high))
        room = (high - low) // self.nominal_ns + 1
        too_many = min(len(mine) + len(theirs) - room, len(theirs))
        if too_many < _TAKEN * len(mine):
            return False
        said, before = frame[mine], frame[theirs]
        if all(
            said[c].null_count() == len(mine) or before[c].null_count() == len(theirs)
            for c in frame.columns
        ):
            return False
        place = theirs[np.argsort(ns[theirs], kind="stable")]
        twin = place[np.minimum(np.searchsorted(ns[place], ns[mine]), len(place) - 1)]
        if (ns[twin] != ns[mine]).any():
            return True
        return not said.equals(frame[twin])

    def _spikes(self, ns: Ints, last: bool) -> npt.NDArray[np.bool_]:
        """Find short runs of instants far from all their neighbours'."""
        n = len(ns)
        none = np.zeros(n, dtype=np.bool_)
        if n <= 2 * _MEDIAN + 1:
            return none
        padded = np.pad(ns, _MEDIAN, mode="reflect")
        windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * _MEDIAN + 1)
        middle = np.partition(windows, _MEDIAN, axis=1)[:, _MEDIAN]
        away = max(WINDOW * self.nominal_ns, 10_000_000_000)
        far: npt.NDArray[np.bool_] = np.abs(ns - middle) > away
        if not last:
            far[n - _MEDIAN - 3 :] = False
        if not far.any():
            return none
        falls = np.flatnonzero(np.diff(ns) <= 0)
        touched = np.zeros(n + 1, dtype=np.bool_)
        touched[falls] = True
        touched[falls + 1] = True
        for begin, end in runs(far):
            if end - begin > _MEDIAN or not touched[begin : end + 1].any():
                far[begin:end] = False
        return far


def _late(ns: Ints, highest: Ints, first: bool) -> npt.NDArray[np.bool_]:
    """Tell which instants lie before one already seen, or on it behind such a one."""
    sign = np.sign(np.concatenate([[-1 if first else 1], ns[1:] - highest[:-1]]))
    last = np.maximum.accumulate(np.where(sign != 0, np.arange(len(ns)), 0))
    late: npt.NDArray[np.bool_] = sign[last] < 0
    return late


def _fullest(frame: pl.DataFrame, first: npt.NDArray[np.bool_]) -> npt.NDArray[np.intp]:
    """Return which row of each instant is kept: of those with most values, the first.

    Parameters
    ----------
    first : ndarray of bool
        Whether a row is the first of its instant.
    """
    filled = np.full(frame.height, frame.width, dtype=np.int64)
    for column in frame.iter_columns():
        if column.null_count():
            filled -= column.is_null().to_numpy()
    starts = np.flatnonzero(first)
    most = np.maximum.reduceat(filled, starts)
    instant = np.cumsum(first) - 1
    good = np.flatnonzero(filled == most[instant])
    _, place = np.unique(instant[good], return_index=True)
    return np.asarray(good[place], dtype=np.intp)


_KEPT_ROW, _REPEATS, _ADDS, _CONTRADICTS = range(4)


def _joined(
    frame: pl.DataFrame, keep: npt.NDArray[np.intp], instant: npt.NDArray[np.intp]
) -> tuple[pl.DataFrame, npt.NDArray[np.int8]]:
    """Put into each kept row what other rows of its instant add; tell what became of each row.

    A row that says otherwise than the kept one in any channel adds nothing at all.
    """
    base = frame[keep]
    fate = np.full(frame.height, _REPEATS, dtype=np.int8)
    fate[keep] = _KEPT_ROW
    others = np.flatnonzero(fate == _REPEATS)
    mine, theirs = frame[others], base[instant[others]]
    against = np.zeros(len(others), dtype=np.bool_)
    adds = np.zeros(len(others), dtype=np.bool_)
    for c in frame.columns:
        here, there = mine[c].is_not_null().to_numpy(), theirs[c].is_not_null().to_numpy()
        against |= here & there & mine[c].ne_missing(theirs[c]).to_numpy()
        adds |= here & ~there
    fate[others[against]] = _CONTRADICTS
    adds &= ~against
    fate[others[adds]] = _ADDS
    if not adds.any():
        return base, fate
    first = (
        frame[others[adds]]
        .with_columns(pl.Series("#", instant[others[adds]].astype(np.int64)))
        .group_by("#", maintain_order=True)
        .agg(pl.all().drop_nulls().first())
    )
    numbered = base.with_columns(pl.Series("#", np.arange(base.height, dtype=np.int64)))
    whole = numbered.join(first, on="#", how="left", suffix="#", maintain_order="left")
    return whole.select(pl.coalesce(c, f"{c}#").alias(c) for c in base.columns), fate
