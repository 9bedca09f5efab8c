"""Raw columns in, one clean Parquet stream out, block by block.

One pass, bounded memory: blocks of fixed size are read by polars, put in
order, converted and watched here, and encoded in another thread. The size of
a block does not depend on the machine, so the same log gives the same bytes.

Longer than 245 lines because one pass with bounded memory has one state, and all that changes
it stands here.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.cleaning.stream.channel_statistics import ChannelStatistics
from replay.cleaning.stream.channels import ChannelPlan, read_channels
from replay.cleaning.stream.encode import Follower, StreamWriter
from replay.cleaning.stream.on_change import Held
from replay.cleaning.times.order import Lapse, Orderer
from replay.cleaning.times.time_column import Clock
from replay.errors import LogRefused
from replay.logs.readers.raw import RawLog
from replay.units import TIME

Ints = npt.NDArray[np.int64]

BLOCK_ROWS = 65_536
GAP_SAMPLES = 2.5
"""A step of more than this many nominal intervals is a gap."""
MOST_LOST = 0.2
"""A log of which the clock would cost a larger share of its rows is refused, not stored in part."""
_KEPT_GAPS = 200


class TimesGoBack(LogRefused):
    """The clock of a log would cost too many of its rows: it may hold several runs."""


@dataclass(frozen=True, slots=True)
class Gap:
    """Samples that should be there and are not."""

    start_ns: int
    end_ns: int
    missing: int


@dataclass(slots=True)
class StreamCleaner:
    """Cleans one stream of one log; ask it what it met when it is done."""

    raw: RawLog
    clock: Clock
    time_column: str | None
    plans: list[ChannelPlan]
    statistics: dict[str, ChannelStatistics]
    held: dict[str, Held]
    """Channels that are written on change."""
    nominal_ns: int
    regular: bool = True
    """Whether the samples come at a rate, so that a gap means something."""
    orderer: Orderer = field(init=False)
    bad_times: Lapse = field(default_factory=Lapse)
    bad_time_words: list[str] = field(default_factory=list)
    rows_in: int = 0
    rows_out: int = 0
    first_ns: int | None = None
    last_ns: int | None = None
    gaps: list[Gap] = field(default_factory=list)
    gap_count: int = 0
    missing: int = 0
    gap_ns: int = 0
    tell_tale_nulls: int = 0
    last_row_dropped: int | None = None
    set_aside_in_gaps: int = 0
    nulls_out: Counter[str] = field(default_factory=Counter)
    """Samples without a value by channel, of the rows that were given out."""
    _last_row: int | None = None

    def __post_init__(self) -> None:
        self.orderer = Orderer(self.nominal_ns)

    @property
    def rate_hz(self) -> float | None:
        """Samples a second while there were any: gaps do not count."""
        if self.first_ns is None or self.last_ns is None:
            return None
        steps = self.rows_out - 1 - self.gap_count
        span = self.last_ns - self.first_ns - self.gap_ns
        return steps * 1e9 / span if steps > 0 and span > 0 else None

    @property
    def expected_rows(self) -> int:
        """Rows that there would be with nothing missing and nothing set aside."""
        order = self.orderer
        aside = (
            len(self.raw.removed)
            + self.bad_times.count
            + order.contradictions.count
            + order.set_back.count
            + order.spikes.count
            + (self.last_row_dropped is not None)
        )
        return self.rows_out + self.missing + max(aside - self.set_aside_in_gaps, 0)

    @property
    def needed(self) -> list[str]:
        """Columns of the log that have to be read."""
        names = [p.column for p in self.plans]
        names += [self.time_column] if self.time_column else []
        names += [self.clock.entry.nanosecond] if self.clock.entry.nanosecond else []
        names += [self.raw.tell_tale] if self.raw.tell_tale else []
        return list(dict.fromkeys(names))

    def sink(self, target: Path, as_text: frozenset[str], follower: Follower | None = None) -> None:
        """Read, clean and write the whole stream.

        Raises
        ------
        polars.exceptions.PolarsError
            When a cell is not what the sample promised; try again with that
            column as text.
        LogRefused
            When nothing usable is left.
        """
        frame = self.raw.scan(self.needed, as_text)
        with StreamWriter(target, follower) as writer:
            for block in self._clean(frame):
                writer.write(block)
        if not self.rows_out:
            raise LogRefused(*self._nothing_left(), file=self.raw.path)
        self._refuse_wrong_order()

    def _refuse_wrong_order(self) -> None:
        """Refuse a log of which most rows would be set aside for their times."""
        order = self.orderer
        if order.set_back.count > MOST_LOST * self.rows_in:
            first = f", first at row {order.set_back.rows[0]}" if order.set_back.rows else ""
            raise TimesGoBack(
                f"{order.set_back.count} of {self.rows_in} rows have times before rows already "
                f"read{first}: several runs in one file, the newest row comes first, or a clock "
                "was set back",
                file=self.raw.path,
                column=self.time_column,
                todo='name the column that tells the runs apart, [log] run = "...", sort the log '
                "by time, or cut it where the time goes back",
            )
        if order.contradictions.count > MOST_LOST * self.rows_in:
            raise TimesGoBack(
                f"{order.contradictions.count} of {self.rows_in} rows share their instant with "
                "another row that says otherwise: the times are too coarse for the samples, or "
                "two recordings lie in one file",
                file=self.raw.path,
                column=self.time_column,
                todo="export finer times, use [time] rows_at_hz with the true rate, or name the "
                'column that tells the recordings apart, [log] run = "..."',
            )
        if order.spikes.count > MOST_LOST * self.rows_in:
            raise TimesGoBack(
                f"{order.spikes.count} of {self.rows_in} rows have times far from their "
                "neighbours': two recordings lie mixed in one file, or a clock that jumps",
                file=self.raw.path,
                column=self.time_column,
                todo='name the column that tells the recordings apart, [log] run = "...", or cut '
                "the file",
            )

    def _clean(self, frame: pl.LazyFrame) -> Iterator[pl.DataFrame]:
        for block in blocks(frame):
            rows = np.arange(self.rows_in + 1, self.rows_in + block.height + 1, dtype=np.int64)
            rows = original_rows(rows, self.raw.removed)
            self.rows_in += block.height
            if self.raw.tell_tale:
                self.tell_tale_nulls += block[self.raw.tell_tale].null_count()
            times = None if self.time_column is None else block[self.time_column]
            ns, ok = self.clock.read(times, block.height, rows, self.clock.below_in(block))
            if not ok.all():
                self._bad_times(times, ok, rows)
                block, ns, rows = block.filter(pl.Series(ok)), ns[ok], rows[ok]
            clean = self._channels(block, rows)
            out, out_ns = self.orderer.push(clean, ns, rows)
            if out.height:
                yield self._emit(out, out_ns)
        drop = int(rows[-1]) if self.raw.last_row_suspect and self.rows_in and len(rows) else None
        if drop is not None and self.tail_is_cut(frame):
            self.last_row_dropped = drop
        out, out_ns = self.orderer.finish(self.last_row_dropped)
        if out.height:
            yield self._emit(out, out_ns)

    def tail_is_cut(self, frame: pl.LazyFrame) -> bool:
        """Tell whether a last row without a line end may be cut short.

        It is believed whole only if its last cell has as many decimals as
        all of the last rows, or is a word that they have said before.
        """
        if not self.raw.tell_tale:
            return True
        if self.raw.last_row_full and self.raw.columns[-1] not in self._mapped:
            return False  # a cut can only have harmed its last cell
        column = self.raw.tell_tale
        tail = self.raw.scan([column], frozenset([column])).tail(51).collect()[column]
        last, before = tail[-1], tail[:-1].drop_nulls()
        if last is None or len(before) < 10:
            return True
        decimals = before.str.extract(r"[.,](\d+)$").str.len_chars()
        mine = len(last.rpartition("," if "," in last else ".")[2]) if set(last) & set(".,") else 0
        if mine and not decimals.has_nulls() and decimals.n_unique() == 1:
            return int(decimals[0]) != mine
        if not any(c.isdigit() for c in last):
            return last not in before
        return True

    def names_again(self) -> bool:
        """Tell whether rows inside the log name the columns again, so their order may change."""
        names = {c.lower() for c in self.raw.columns}
        said = [w for p in self.plans for w in p.text_counts]
        said += [w.strip("'") for w in self.bad_time_words]
        return any(w.strip().lower() in names for w in said)

    @property
    def _mapped(self) -> set[str | None]:
        return {self.time_column, *(p.column for p in self.plans)}

    def _channels(self, block: pl.DataFrame, rows: Ints) -> pl.DataFrame:
        frame = read_channels(block, self.plans, rows, self.raw.decimal_comma)
        swaps = [p for p in self.plans if p.swap is not None]
        if swaps:
            frame = self._from_base(frame, swaps)
        return frame

    def _from_base(self, frame: pl.DataFrame, swaps: list[ChannelPlan]) -> pl.DataFrame:
        """Turn numbers counted from the present base into physical joints."""
        if "base_end" not in frame.columns:
            return frame
        at_b = pl.col("base_end").forward_fill() == "B"
        return frame.with_columns(
            pl.when(at_b)
            .then(pl.col(p.swap or p.name) * p.swap_sign if p.number else pl.col(p.swap or p.name))
            .otherwise(pl.col(p.name))
            .alias(p.name)
            for p in swaps
        )

    def _emit(self, frame: pl.DataFrame, ns: Ints) -> pl.DataFrame:
        before = self.last_ns
        rows = self.orderer.out_rows
        if before is None or self._last_row is None:
            self._gaps(ns, rows)
        else:
            self._gaps(np.concatenate([[before], ns]), np.concatenate([[self._last_row], rows]))
        self._last_row = int(rows[-1])
        if self.first_ns is None:
            self.first_ns = int(ns[0])
        columns = [pl.Series(TIME, ns).cast(pl.Datetime("ns")).dt.replace_time_zone("UTC")]
        for column in frame.iter_columns():
            if column.name in self.held:
                column = self.held[column.name].fill(column, ns)
            self.nulls_out[column.name] += column.null_count()
            statistic = self.statistics.get(column.name)
            columns.append(
                column if statistic is None else statistic.look(column, ns, self.nominal_ns)
            )
        self.last_ns = int(ns[-1])
        self.rows_out += len(ns)
        return pl.DataFrame(columns)

    def count(self, frame: pl.DataFrame) -> None:
        """Count rows, gaps and missing values of clean rows that were put together elsewhere."""
        ns = frame[TIME].to_physical().to_numpy()
        edge = [] if self.last_ns is None else [self.last_ns]
        self._gaps(np.concatenate([edge, ns]).astype(np.int64), np.arange(len(ns) + len(edge)))
        self.first_ns = int(ns[0]) if self.first_ns is None else self.first_ns
        self.last_ns = int(ns[-1])
        self.rows_out += len(ns)
        for column in frame.iter_columns():
            if column.name != TIME:
                self.nulls_out[column.name] += column.null_count()

    def _gaps(self, ns: Ints, rows: Ints) -> None:
        spans = np.diff(ns)
        where = np.flatnonzero(spans > GAP_SAMPLES * self.nominal_ns)
        if not len(where) or not self.regular:
            return
        self.gap_ns += int(spans[where].sum())
        self.gap_count += len(where)
        lost = np.maximum(np.round(spans[where] / self.nominal_ns).astype(np.int64) - 1, 1)
        self.missing += int(lost.sum())
        between = np.maximum(np.diff(rows)[where] - 1, 0)
        self.set_aside_in_gaps += int(np.minimum(lost, between).sum())
        for k, n in zip(where, lost, strict=True):
            if len(self.gaps) < _KEPT_GAPS:
                self.gaps.append(Gap(int(ns[k]), int(ns[k + 1]), int(n)))

    def _bad_times(self, times: pl.Series | None, ok: npt.NDArray[np.bool_], rows: Ints) -> None:
        self.bad_times.add(rows[~ok], np.zeros(int((~ok).sum()), dtype=np.int64))
        if times is not None and len(self.bad_time_words) < 3:
            words = times.filter(pl.Series(~ok)).head(3).cast(pl.String, strict=False)
            self.bad_time_words += [repr(w) for w in words]

    def _nothing_left(self) -> tuple[str]:
        if self.bad_times.count:
            seen = ", ".join(self.bad_time_words[:3])
            form = self.clock.entry.format
            return (
                f"none of {self.rows_in} rows has a time of the form {form}; "
                f"column {self.time_column!r} says {seen}"
                + (f" ({self.clock.why})" if self.clock.why else ""),
            )
        return ("no rows are left after cleaning",)


def blocks(frame: pl.LazyFrame, rows: int = BLOCK_ROWS) -> Iterator[pl.DataFrame]:
    """Yield blocks of exactly so many rows; the last one is shorter."""
    waiting: list[pl.DataFrame] = []
    held = 0
    for part in frame.collect_batches(chunk_size=rows, maintain_order=True):
        waiting.append(part)
        held += part.height
        while held >= rows:
            whole = pl.concat(waiting) if len(waiting) > 1 else waiting[0]
            yield whole.head(rows).rechunk()
            rest = whole.slice(rows)
            waiting, held = ([rest] if rest.height else []), rest.height
    if held:
        yield pl.concat(waiting).rechunk()


def original_rows(rows: Ints, removed: tuple[int, ...]) -> Ints:
    """Return row numbers as in the file, from which ``removed`` rows came out.

    Examples
    --------
    >>> original_rows(np.array([1, 2, 3]), (2,)).tolist()
    [1, 3, 4]
    """
    if not removed:
        return rows
    gone = np.asarray(removed, dtype=np.int64)
    # the k-th removed row shifts every kept row numbered k.. from (removed - k) on
    shift = np.searchsorted(gone - np.arange(len(gone)), rows, side="right")
    return rows + shift
