"""One channel of a long table, put in the order of its times in bounded memory.

A channel that is out of order is dealt out to spans of time that each fit in
memory, and each span is sorted by itself. Of values with one instant the
first in the file is kept.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.cleaning.long.spill_file import SpillFile
from replay.cleaning.times.order import Lapse

Ints = npt.NDArray[np.int64]

NS, ROW, VALUE = "#ns", "#row", "#value"
_EVERY = 256
"""One instant in so many is remembered, to deal a channel out to even spans."""


@dataclass(slots=True)
class Series:
    """The values of one channel: ``ns``, ``row`` in the file, ``value`` as it came."""

    name: str
    spill: SpillFile
    key: object
    rows: int = 0
    first_ns: int = 0
    """Earliest and latest instant; the last one in the order of the file."""
    latest_ns: int = 0
    last_ns: int = 0
    rising: bool = True
    """Whether each instant is later than the one before it in the file."""
    stepped_back: Lapse = field(default_factory=Lapse)
    duplicates: Lapse = field(default_factory=Lapse)
    contradictions: Lapse = field(default_factory=Lapse)
    digest: bytes = b""
    """Of the instants, so that channels that share all of them are known at once."""
    _some_ns: list[Ints] = field(default_factory=list, repr=False)

    def put(self, frame: pl.DataFrame) -> None:
        """Add rows in the order of the file."""
        ns = frame[NS].to_numpy()
        if not len(ns):
            return
        steps = np.diff(ns, prepend=ns[:1] if not self.rows else self.last_ns)
        back = steps < 0
        if back.any():
            self.stepped_back.add(frame[ROW].to_numpy()[back], ns[back])
        firsts = 0 if self.rows else 1
        self.rising &= bool((steps[firsts:] > 0).all())
        low, high = int(ns.min()), int(ns.max())
        self.first_ns = min(self.first_ns, low) if self.rows else low
        self.latest_ns = max(self.latest_ns, high) if self.rows else high
        self.last_ns = int(ns[-1])
        self.rows += len(ns)
        self._some_ns.append(ns[::_EVERY].copy())
        self.spill.put(self.key, frame)

    def pieces(self) -> Iterator[pl.DataFrame]:
        """Yield the rows again, a piece at a time."""
        return self.spill.take(self.key)

    def instants(self) -> Iterator[Ints]:
        """Yield the instants again, a piece at a time."""
        for piece in self.pieces():
            yield piece[NS].to_numpy()

    def in_order(self, folder: Path, most_rows: int) -> Series:
        """Return the channel with rising instants, none of them twice.

        Parameters
        ----------
        folder : Path
            Where what is sorted rests.
        most_rows : int
            How many rows may be held and sorted at once, about.
        """
        told = hashlib.blake2b(digest_size=16)
        if self.rising:
            for ns in self.instants():
                told.update(ns.tobytes())
            self.digest = told.digest()
            self._some_ns = []
            return self
        made = Series(self.name, SpillFile(folder / "in-order.arrow"), self.name)
        made.stepped_back = self.stepped_back
        for span in self._spans(folder, most_rows):  # an instant is never in two of them
            kept = made._first_of_each(span)
            told.update(kept[NS].to_numpy().tobytes())
            made.put(kept)
        made.digest = told.digest()
        made._some_ns = []
        return made

    def _spans(self, folder: Path, most_rows: int) -> Iterator[pl.DataFrame]:
        """Yield the rows in the order of time, those of one instant as in the file."""
        some = np.sort(np.concatenate(self._some_ns))
        count = -(-self.rows // max(most_rows, 1))
        edges = np.unique(some[(np.arange(1, count) * len(some)) // count])
        if not len(edges):
            yield pl.concat(self.pieces()).sort(NS, maintain_order=True)
            return
        spans = SpillFile(folder / "spans.arrow")
        for piece in self.pieces():
            place = pl.Series("#", np.searchsorted(edges, piece[NS].to_numpy(), side="right"))
            dealt = piece.with_columns(place).partition_by("#", as_dict=True, include_key=False)
            for key, rows in dealt.items():
                spans.put(key[0], rows)
        for nth in range(len(edges) + 1):
            parts = list(spans.take(nth))
            if parts:
                yield pl.concat(parts).sort(NS, maintain_order=True)
        spans.clear()

    def _first_of_each(self, piece: pl.DataFrame) -> pl.DataFrame:
        """Leave repeated instants out, and count them."""
        ns = piece[NS].to_numpy()
        again = np.zeros(len(ns), dtype=np.bool_)
        again[1:] = np.diff(ns) == 0
        if again.any():
            first = np.maximum.accumulate(np.where(again, 0, np.arange(len(ns))))
            where = np.flatnonzero(again)
            same = _same(piece[VALUE][where], piece[VALUE][first[where]])
            rows = piece[ROW].to_numpy()
            self.duplicates.add(rows[where[same]], ns[where[same]])
            self.contradictions.add(rows[where[~same]], ns[where[~same]])
        return piece.filter(pl.Series(~again))


def _same(one: pl.Series, other: pl.Series) -> npt.NDArray[np.bool_]:
    """Tell which values say the same, 1.0 and 1.00 too."""
    equal = one.eq_missing(other)
    if one.dtype == pl.String:
        numbers = [c.str.strip_chars().cast(pl.Float64, strict=False) for c in (one, other)]
        equal = equal | (numbers[0] == numbers[1]).fill_null(False)
    return np.asarray(equal.to_numpy(), dtype=np.bool_)


def shared(one: Series, other: Series) -> float:
    """Return the share of common instants, of the channel that has more of them."""
    if one.digest == other.digest:
        return 1.0
    most = max(one.rows, other.rows, 1)
    common = 0
    theirs = other.instants()
    held = next(theirs, np.zeros(0, dtype=np.int64))
    for mine in one.instants():
        while len(held):
            common += len(np.intersect1d(mine, held, assume_unique=True))
            if held[-1] > mine[-1]:
                held = held[np.searchsorted(held, mine[-1], side="right") :]
                break
            held = next(theirs, np.zeros(0, dtype=np.int64))
    return common / most
