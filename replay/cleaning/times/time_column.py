"""Turn a log's time column into UTC nanoseconds, exactly.

Decimal text is split at the point and counted in integers: a double holds
an epoch second of today only to about 0.2 us.

Longer than 245 lines because every form of an instant ends in the same integers, and rounding
is checked across them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt
import polars as pl

from replay.cleaning.times.instants import even_decimals, even_instants
from replay.logs.maps import TimeEntry
from replay.logs.times.patterns import is_pattern, read_pattern
from replay.logs.times.timecodes import decode_cds, decode_cuc
from replay.logs.times.timeforms import (
    DAY_NS,
    LARGEST_NS,
    LEAP_TABLE_UNTIL,
    SECOND_NS,
    SINCE_START,
    leap_second_day,
    parse_start,
    to_utc,
)

Ints = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

_FAST = ("%Y-%m-%dT%H:%M:%S%.fZ", "%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%dT%H:%M:%S%.f")
_CALENDAR = (
    r"^\s*[\"']?\s*(?P<y>\d{4})[-/](?P<mo>\d{1,2})[-/](?P<d>\d{1,2})[T _]\s*(?P<h>\d{1,2}):"
    r"(?P<mi>\d{2})(?::(?P<s>\d{2})(?:[.,](?P<f>\d+))?)?\s*(?P<z>Z|z|UTC|[+-]\d{2}(?::?\d{2})?)?"
    r"\s*[\"']?\s*$"
)
_BASIC = (
    r"^\s*[\"']?\s*(?P<y>\d{4})(?P<mo>\d{2})(?P<d>\d{2})[T ](?P<h>\d{2})(?P<mi>\d{2})"
    r"(?:(?P<s>\d{2})(?:[.,](?P<f>\d+))?)?\s*(?P<z>Z|z|UTC|[+-]\d{2}(?::?\d{2})?)?\s*[\"']?\s*$"
)
"""ISO 8601, basic format: no signs between the parts."""
_ORDINAL = (
    r"^\s*[\"']?\s*(?:(?P<y>\d{4})[-:/ ]?)?(?P<d>\d{3})[T:/ -](?P<h>\d{1,2}):"
    r"(?P<mi>\d{2}):(?P<s>\d{2})(?:[.,](?P<f>\d+))?\s*(?P<z>Z|z|UTC)?\s*[\"']?\s*$"
)
_MOST_DAYS = 106_000
"""Days from 1970 that 64 bits of ns hold, about."""
_MOST_US = _MOST_DAYS * DAY_NS // 1000
_HALF_YEAR = 180
_UNIT_NS = {
    "epoch-s": SECOND_NS, "epoch-ms": 1_000_000, "epoch-us": 1000, "epoch-ns": 1,
    "seconds": SECOND_NS, "milliseconds": 1_000_000, "microseconds": 1000, "nanoseconds": 1,
}  # fmt: skip
_SERIAL_EPOCH_DAYS = -25_569
"""1899-12-30, from which spreadsheets count days (ECMA-376, part 1, 18.17.4.1), from 1970."""


@dataclass(slots=True)
class Clock:
    """Reads time columns block by block, and remembers what was odd."""

    entry: TimeEntry
    leap_seconds: int = 0
    no_zone: int = 0
    rows: int = 0
    why: str = ""
    """What kept the first unread time from being read, where it is known."""
    _years: int = 0
    _last_day: int | None = None
    _fast: str | None = field(default=None, repr=False)

    def read_from(self, frame: pl.DataFrame, column: str | None) -> tuple[Ints, Mask]:
        """Return what `read` does for the rows of a table, its nanoseconds' column added."""
        return self.read(
            None if column is None else frame[column], frame.height, below=self.below_in(frame)
        )

    def below_in(self, frame: pl.DataFrame) -> pl.Series | None:
        """Return the column of nanoseconds within the second, where the map names one."""
        name = self.entry.nanosecond
        return frame[name] if name is not None and name in frame.columns else None

    def read(
        self,
        column: pl.Series | None,
        height: int,
        rows: Ints | None = None,
        below: pl.Series | None = None,
    ) -> tuple[Ints, Mask]:
        """Return UTC ns since 1970 and which of them could be read.

        Parameters
        ----------
        column : polars.Series or None
            The time column of the next rows; None for a log without time.
        height : int
            How many rows there are.
        rows : ndarray of int, optional
            Their numbers in the file, from 1: in a log without time a row that
            was set aside has taken its time.
        below : polars.Series, optional
            Nanoseconds within the second that the time column counts.
        """
        begin, self.rows = self.rows, self.rows + height
        if column is None:
            hz = self.entry.rows_at_hz or 1.0
            counted = np.arange(begin + 1, begin + height + 1) if rows is None else rows
            since = np.round((counted - 1).astype(np.float64) * (SECOND_NS / hz))
            ok = since < LARGEST_NS
            ns = np.where(ok, since, 0.0).astype(np.int64) + (self.entry.start_ns or 0)
        else:
            ns, ok = self._ns(column)
            if below is not None:
                part = below.cast(pl.Float64, strict=False)
                good = part.is_between(0, SECOND_NS - 1).fill_null(False)
                ok = ok & good.to_numpy()
                ns = ns + part.fill_null(0).fill_nan(0).cast(pl.Int64, strict=False).to_numpy()
        return (to_utc(ns, self.scale) if self.scale != "UTC" else ns), ok

    @property
    def scale(self) -> str:
        """Scale in which the log counts: by the standard, TAI for a code from 1958."""
        by_standard = self.entry.format == "ccsds-cuc" and self.entry.epoch is None
        return "TAI" if by_standard and self.entry.scale == "UTC" else self.entry.scale

    def beyond_leap_table(self, last_ns: int) -> bool:
        """Tell whether a scale was converted beyond what the table promises."""
        until = (LEAP_TABLE_UNTIL - date(1970, 1, 1)).days * DAY_NS
        return last_ns > until and self.scale != "UTC"

    def _ns(self, column: pl.Series) -> tuple[Ints, Mask]:
        dtype = column.dtype
        if isinstance(dtype, pl.Datetime | pl.Date):
            if getattr(dtype, "time_zone", None) is None:
                self.no_zone += len(column)
            else:
                column = column.dt.convert_time_zone("UTC").dt.replace_time_zone(None)
            return _split(_datetime_ns(column))
        form = self.entry.format
        if dtype == pl.Boolean or dtype.is_nested():
            return _split(pl.Series([None] * len(column), dtype=pl.Int64))
        if form in ("iso8601", "ccsds-a"):
            return self._iso(column.cast(pl.String))
        if form in ("day-of-year", "ccsds-b"):
            return self._calendar(column.cast(pl.String), _ORDINAL)
        if is_pattern(form):
            told = read_pattern(column.cast(pl.String), form)
            self.no_zone += 0 if "%z" in form else len(told) - told.null_count()
            return _split(told)
        if form == "ccsds-cuc":
            return self._octets(column.cast(pl.String), decode_cuc)
        if form == "ccsds-cds":
            return self._octets(column.cast(pl.String), decode_cds)
        if form == "serial-days":
            return _serial_days(column)
        unit = _UNIT_NS.get(form, SECOND_NS)
        ns, ok = _decimal(column, unit)
        if form in SINCE_START:
            ns = ns + (self.entry.start_ns or 0)
        return ns, ok

    def _iso(self, text: pl.Series) -> tuple[Ints, Mask]:
        even = even_instants(text)
        if even is not None:
            ns, zoned = even
            self.no_zone += 0 if zoned else len(text)
            return ns, np.ones(len(text), dtype=np.bool_)
        probe = text.drop_nulls().head(50)
        if len(probe) and probe.str.contains(_BASIC).all():
            return self._calendar(text, _BASIC)
        if self._fast is None:
            for form in _FAST:
                if len(probe) and not _strptime(probe, form).has_nulls():
                    self._fast = form
                    break
            else:
                self._fast = ""
        leap = bool(text.str.contains(":60", literal=True).any())
        first, last = text.min(), text.max()
        known = isinstance(first, str) and first[:4] >= "1700" and str(last)[:4] <= "2250"
        if not self._fast or leap or not known:
            return self._calendar(text, _CALENDAR)
        fast = _strptime(text, self._fast)
        if "Z" not in self._fast:
            self.no_zone += len(text)
        missed = fast.is_null() & text.is_not_null()
        if not missed.any():
            return _split(fast)
        ns, ok = _split(fast)
        where = missed.arg_true().to_numpy()
        ns, ok = ns.copy(), ok.copy()
        ns[where], ok[where] = self._calendar(text.gather(where), _CALENDAR)
        return ns, ok

    def _calendar(self, text: pl.Series, pattern: str) -> tuple[Ints, Mask]:
        parts = text.str.extract_groups(pattern).struct.unnest()
        year = parts["y"]
        if year.has_nulls() and "mo" not in parts.columns and parts["d"].is_not_null().any():
            year = self._years_of(year, parts["d"])
        if "mo" in parts.columns:
            days = pl.select(
                pl.concat_str(
                    [year, parts["mo"].str.zfill(2), parts["d"].str.zfill(2)], separator="-"
                ).str.to_date("%Y-%m-%d", strict=False)
            ).to_series()
        else:
            first = pl.select(
                pl.concat_str([year, pl.lit("-01-01")]).str.to_date("%Y-%m-%d", strict=False)
            ).to_series()
            ordinal = parts["d"].cast(pl.Int32, strict=False)
            good = (ordinal >= 1) & (ordinal <= 365 + first.dt.is_leap_year().cast(pl.Int32))
            days = pl.select(
                pl.when(good).then(first.cast(pl.Int32) + ordinal - 1).cast(pl.Date)
            ).to_series()
        number = {k: parts[k].cast(pl.Int64, strict=False) for k in ("h", "mi", "s") if k in parts}
        second = number["s"].fill_null(0)
        fraction = parts["f"].fill_null("0").str.slice(0, 9).str.pad_end(9, "0").cast(pl.Int64)
        zone = parts["z"]
        self.no_zone += int((zone.is_null() & days.is_not_null()).sum())
        shift = _zone_seconds(zone)
        days = pl.select(
            pl.when(days.cast(pl.Int32).is_between(-_MOST_DAYS, _MOST_DAYS)).then(days)
        ).to_series()
        ns = (
            days.cast(pl.Int32).cast(pl.Int64) * DAY_NS
            + (number["h"] * 3600 + number["mi"] * 60 + second - shift) * SECOND_NS
            + fraction
        )
        sixty = second == 60
        bad = (number["h"] > 23) | (number["mi"] > 59) | (second > 60)
        if sixty.any():
            real = self._leap_seconds_exist(ns, sixty, fraction)
            self.leap_seconds += int(real.sum())
            bad = bad | (sixty & ~real)
            ns = _sharing_a_second(ns, sixty & real)
        return _split(pl.select(pl.when(~bad).then(ns)).to_series())

    def _years_of(self, year: pl.Series, day: pl.Series) -> pl.Series:
        """Give days without a year the start's, and the next ones after each New Year."""
        if self.entry.start is None:
            self.why = "no year in it: [time] start states the year"
            return year
        days = day.cast(pl.Int32, strict=False).fill_null(strategy="forward").fill_null(0)
        numbers = days.to_numpy()
        steps = np.diff(numbers, prepend=numbers[0] if self._last_day is None else self._last_day)
        turns = (steps < -_HALF_YEAR).astype(np.int64) - (steps > _HALF_YEAR)
        passed = self._years + np.cumsum(turns)
        self._years, self._last_day = int(passed[-1]), int(numbers[-1])
        counted = pl.Series(int(self.entry.start[:4]) + passed).cast(pl.String)
        return pl.select(pl.coalesce(year, counted)).to_series()

    def _octets(self, text: pl.Series, decode: Callable[..., int]) -> tuple[Ints, Mask]:
        entry = self.entry
        epoch_ns = None if entry.epoch is None else parse_start(entry.epoch)
        ns = np.zeros(len(text), dtype=np.int64)
        ok = np.zeros(len(text), dtype=np.bool_)
        for k, value in enumerate(text):
            octets = entry.p_field + (value or "").replace("0x", "")
            try:
                ns[k] = decode(bytes.fromhex(octets), epoch_ns=epoch_ns)
                ok[k] = True
            except (ValueError, OverflowError) as error:
                self.why = self.why or str(error)
        return ns, ok

    @staticmethod
    def _leap_seconds_exist(ns: pl.Series, sixty: pl.Series, fraction: pl.Series) -> pl.Series:
        """Tell for each row whether its second 60 was one: at the end of a UTC day."""
        answers = []
        for instant, is_sixty, part in zip(ns, sixty, fraction, strict=True):
            day_end = instant is not None and (instant - part) % DAY_NS == 0
            day = date(1970, 1, 1) + timedelta(days=instant // DAY_NS - 1) if day_end else None
            answers.append(bool(is_sixty and day is not None and leap_second_day(day)))
        return pl.Series(answers, dtype=pl.Boolean)


def _sharing_a_second(ns: pl.Series, sixty: pl.Series) -> pl.Series:
    """Let second 60 and the second before it share one, so that no two instants become one.

    The times that are kept count no leap seconds: second 60 is the next day's first
    there, as in POSIX. Only where its rows would meet others of a recording, before or
    after it, do the two seconds share one.
    """
    ends = (ns.filter(sixty) // DAY_NS * DAY_NS).unique()
    for end in ends:
        since = ns - (int(end) - SECOND_NS)
        before = (since >= 0) & (since < SECOND_NS)
        inside = sixty & (since >= SECOND_NS) & (since < 2 * SECOND_NS)
        after = ~sixty & (since >= SECOND_NS) & (since < 2 * SECOND_NS)
        if not (before | after).any():
            continue
        ns = pl.select(
            pl.when(before | inside).then(int(end) - SECOND_NS + since // 2).otherwise(ns)
        ).to_series()
    return ns


def _serial_days(column: pl.Series) -> tuple[Ints, Mask]:
    """Count days with fractions; to the microsecond, finer than a double holds them today."""
    if column.dtype == pl.String:
        column = column.str.strip_chars(" \"'").str.replace(",", ".", literal=True)
    days = column.cast(pl.Float64, strict=False) + _SERIAL_EPOCH_DAYS
    us = (days * (DAY_NS // 1000)).round()
    return _split(
        pl.select(pl.when(us.abs() < LARGEST_NS // 1000).then(us.cast(pl.Int64) * 1000)).to_series()
    )


def _datetime_ns(column: pl.Series) -> pl.Series:
    """Return ns since 1970; null for an instant that 64 bits of them do not hold."""
    if column.dtype == pl.Datetime("ns"):
        return column.cast(pl.Int64)
    us = column.cast(pl.Datetime("us")).cast(pl.Int64)
    return pl.select(pl.when(us.is_between(-_MOST_US, _MOST_US)).then(us * 1000)).to_series()


def _strptime(text: pl.Series, form: str) -> pl.Series:
    return text.str.strptime(pl.Datetime("ns"), form, strict=False).cast(pl.Int64)


def _zone_seconds(zone: pl.Series) -> pl.Series:
    offset = zone.str.extract_groups(r"^([+-])(\d{2}):?(\d{2})?$").struct.unnest()
    sign = pl.select(pl.when(offset["1"] == "-").then(-1).otherwise(1)).to_series()
    hours = offset["2"].cast(pl.Int64, strict=False).fill_null(0)
    minutes = offset["3"].cast(pl.Int64, strict=False).fill_null(0)
    return sign * (hours * 3600 + minutes * 60)


def _split(ns: pl.Series) -> tuple[Ints, Mask]:
    ok = ns.is_not_null().to_numpy()
    return ns.fill_null(0).to_numpy().astype(np.int64, copy=False), ok


def _decimal(column: pl.Series, unit_ns: int) -> tuple[Ints, Mask]:
    """Count decimal numbers of a unit in integer nanoseconds."""
    if column.dtype.is_integer():
        whole = column.cast(pl.Int64, strict=False)
        return _split(_times(whole, unit_ns))
    if column.dtype.is_float():
        finite = column.is_finite().fill_null(False)
        whole = column.floor()
        ns = pl.select(
            pl.when(finite & (column.abs() * unit_ns < LARGEST_NS)).then(
                whole.cast(pl.Int64, strict=False) * unit_ns
                + ((column - whole) * unit_ns).round().cast(pl.Int64, strict=False)
            )
        ).to_series()
        return _split(ns)
    even = even_decimals(column, unit_ns) if column.dtype == pl.String else None
    if even is not None:
        return even, np.ones(len(column), dtype=np.bool_)
    digits = len(str(unit_ns)) - 1
    text = column.cast(pl.String).str.strip_chars(" \"'").str.replace(",", ".", literal=True)
    parts = text.str.extract_groups(r"^([+-]?)(\d+)(?:\.(\d*))?$").struct.unnest()
    whole = parts["2"].cast(pl.Int64, strict=False)
    part = parts["3"].fill_null("").str.slice(0, digits).str.pad_end(digits, "0")
    fraction = pl.select(
        pl.when(part == "").then(0).otherwise(part.cast(pl.Int64, strict=False))
    ).to_series()
    sign = pl.select(pl.when(parts["1"] == "-").then(-1).otherwise(1)).to_series()
    ns = sign * (_times(whole, unit_ns) + fraction)
    missed = ns.is_null() & text.is_not_null()
    if missed.any():  # exponents: the double is all there is
        other, ok = _decimal(text.cast(pl.Float64, strict=False), unit_ns)
        rest = pl.select(pl.when(pl.Series(ok)).then(pl.Series(other))).to_series()
        ns = pl.select(pl.coalesce(ns, rest)).to_series()
    return _split(ns)


def _times(whole: pl.Series, unit_ns: int) -> pl.Series:
    """Multiply; null where the product is no instant that 64 bits of ns hold."""
    most = LARGEST_NS // unit_ns
    return pl.select(pl.when(whole.is_between(-most, most)).then(whole * unit_ns)).to_series()
