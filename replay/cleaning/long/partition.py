"""The rows of a long table are sorted out by channel, on disk, in one pass."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.cleaning.long.series import NS, ROW, VALUE, Series
from replay.cleaning.long.spill_file import SpillFile
from replay.cleaning.stream.cleaner import blocks, original_rows
from replay.cleaning.times.order import Lapse
from replay.cleaning.times.time_column import Clock
from replay.errors import LogRefused, first_line
from replay.logs.long_words import long_columns
from replay.logs.maps import LogMap
from replay.logs.readers.raw import RawLog

Ints = npt.NDArray[np.int64]

_TIME, _CHANNEL = "#time", "#channel"
_NUMBERS, _CELLS, _LINES = "numbers", "as it is", "line by line"
"""Values read as numbers by the reader itself; cells as they are; line by line."""


class ShortRows(Exception):
    """A value is missing: the table has to be read line by line to know why."""


@dataclass(slots=True)
class LongTable:
    """A long table whose rows lie sorted out by channel."""

    raw: RawLog
    clock: Clock
    time_column: str
    series: dict[str, Series] = field(default_factory=dict)
    rows: int = 0
    cut_row: int | None = None
    bad_times: Lapse = field(default_factory=Lapse)
    bad_time: object = None
    """The first time that could not be read."""

    @property
    def first_ns(self) -> int:
        """Earliest instant of all channels."""
        return min(s.first_ns for s in self.series.values())

    @property
    def last_ns(self) -> int:
        """Latest instant of all channels."""
        return max(s.latest_ns for s in self.series.values())


def partition_by_channel(
    raw: RawLog, log_map: LogMap, wanted: set[str], folder: Path, block_rows: int
) -> LongTable:
    """Read a long table, keep what is wanted of it, each channel by itself.

    Raises
    ------
    LogRefused
        When no row has a time, or the table cannot be decoded.
    """
    for mode in _modes(raw, log_map):
        spill = SpillFile(folder / "channels.arrow")
        table = LongTable(raw, Clock(log_map.time), long_columns(log_map)[0])
        try:
            _read(table, log_map, mode, wanted, spill, block_rows)
            read = table.rows + (table.cut_row is not None)
            if raw.lines is not None and raw.lines() != read:
                raise ShortRows("an open quote hides rows")
        except (ShortRows, pl.exceptions.PolarsError, pl.exceptions.PanicException) as error:
            spill.clear()
            if mode == _NUMBERS:
                continue
            if raw.scrub is None or mode == _LINES:
                raise LogRefused(
                    f"cannot be decoded: {first_line(error)}",
                    file=raw.path,
                    todo="the file is damaged; copy it again",
                ) from None
            raw = raw.scrub(folder)
            continue
        break
    if not table.series:
        raise LogRefused(
            f"no row has a time of the form {log_map.time.format}"
            if table.bad_times.count
            else "no rows are left after cleaning",
            file=raw.path,
            column=table.time_column,
        )
    return table


def _read(
    table: LongTable,
    log_map: LogMap,
    mode: str,
    wanted: set[str],
    spill: SpillFile,
    block_rows: int,
) -> None:
    raw = table.raw
    time, word, value = long_columns(log_map)
    text = frozenset([word])
    if raw.kind == "delimited":
        text |= {time} if mode == _NUMBERS else {time, value}
    frame = raw.scan([time, word, value], text).rename({time: _TIME, word: _CHANNEL, value: VALUE})
    behind: pl.DataFrame | None = None
    for block in blocks(frame, block_rows):
        if behind is not None:
            _partition_block(table, behind, wanted, spill)
        behind = block
    if behind is None:
        return
    if raw.last_row_suspect and not (
        raw.last_row_full and raw.columns[-1] not in (time, word, value)
    ):
        table.cut_row = int(_in_file(raw, np.array([table.rows + behind.height]))[0])
        behind = behind.head(-1)
    _partition_block(table, behind, wanted, spill)


def _partition_block(
    table: LongTable, block: pl.DataFrame, wanted: set[str], spill: SpillFile
) -> None:
    raw = table.raw
    if raw.kind == "delimited" and raw.scrub is not None and block[VALUE].null_count():
        raise ShortRows("rows without a value")
    rows = _in_file(raw, np.arange(table.rows + 1, table.rows + block.height + 1, dtype=np.int64))
    table.rows += block.height
    block = block.with_columns(pl.Series(ROW, rows)).filter(pl.col(_CHANNEL).is_in(list(wanted)))
    ns, ok = _instants(table.clock, block[_TIME])
    if not ok.all():
        bad = block.filter(pl.Series(~ok))
        if not table.bad_times.count:
            table.bad_time = bad[_TIME][0]
        table.bad_times.add(bad[ROW].to_numpy(), np.zeros(bad.height, dtype=np.int64))
    good = block.select(pl.Series(NS, ns), ROW, VALUE, _CHANNEL).filter(pl.Series(ok))
    parts = good.partition_by(_CHANNEL, as_dict=True, include_key=False, maintain_order=True)
    for (name,), part in parts.items():
        series = table.series.get(str(name))
        if series is None:
            series = table.series[str(name)] = Series(str(name), spill, str(name))
        series.put(part)


def _modes(raw: RawLog, log_map: LogMap) -> tuple[str, ...]:
    """Return the ways to read a table, the quickest first; the next is for what that one cannot."""
    value = raw.sample[long_columns(log_map)[2]]
    if raw.kind == "delimited" and not raw.decimal_comma and value.dtype == pl.String:
        filled = value.drop_nulls()
        if len(filled) and filled.cast(pl.Float64, strict=False).null_count() == 0:
            return (_NUMBERS, _CELLS, _LINES)
    return (_CELLS, _LINES)


def _instants(clock: Clock, times: pl.Series) -> tuple[Ints, npt.NDArray[np.bool_]]:
    """Read times of which neighbours are often the same word: each run of one word once."""
    fresh = (times != times.shift(1)).fill_null(True).to_numpy()
    if 2 * int(fresh.sum()) > len(times):
        return clock.read(times, len(times))
    ns, ok = clock.read(times.filter(pl.Series(fresh)), int(fresh.sum()))
    place = np.cumsum(fresh) - 1
    return ns[place], ok[place]


def _in_file(raw: RawLog, rows: np.ndarray) -> np.ndarray:
    return original_rows(rows, raw.removed)
