"""Forms in which logs write instants, and the time scales they count in.

Leap seconds: TAI - UTC as announced in IERS Bulletin C; GPS time is TAI less
19 s (from memory). Second 60 exists only where the table has a leap second.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime

import numpy as np
import numpy.typing as npt

TIME_FORMS: dict[str, str] = {
    "iso8601": "2031-03-01T00:00:00.25Z, with or without fraction and zone",
    "epoch-s": "seconds since 1970-01-01, fractions allowed",
    "epoch-ms": "milliseconds since 1970-01-01",
    "epoch-us": "microseconds since 1970-01-01",
    "epoch-ns": "nanoseconds since 1970-01-01",
    "seconds": "seconds since the stated start",
    "milliseconds": "milliseconds since the stated start",
    "microseconds": "microseconds since the stated start",
    "nanoseconds": "nanoseconds since the stated start",
    "serial-days": "days since 1899-12-30 with fractions, as spreadsheets count them",
    "day-of-year": "2031-060T00:00:00.25, or 060:00:00:00.25 with the year of the stated start",
    "ccsds-a": "CCSDS 301.0-B ASCII code A, calendar",
    "ccsds-b": "CCSDS 301.0-B ASCII code B, day of year",
    "ccsds-cuc": "CCSDS 301.0-B unsegmented binary code, as hexadecimal octets with P-field",
    "ccsds-cds": "CCSDS 301.0-B day segmented binary code, as hexadecimal octets with P-field",
}

START_PLACES = ("name", "folder", "sidecar")
"""Where beside its rows a log may tell its start: file name, folder name, a file beside it."""

SINCE_START = ("seconds", "milliseconds", "microseconds", "nanoseconds")
"""Forms that count from a start that the log itself does not tell."""

TIME_SCALES: tuple[str, ...] = ("UTC", "TAI", "GPS")

SECOND_NS = 1_000_000_000
DAY_NS = 86_400 * SECOND_NS
LARGEST_NS = 4_600_000_000_000_000_000
"""Half of what 64 bits hold (the year 2115): a start may be added to it."""

LEAP_STEPS: tuple[tuple[date, int], ...] = tuple(
    (date(y, m, 1), s)
    for y, m, s in (
        (1972, 1, 10), (1972, 7, 11), (1973, 1, 12), (1974, 1, 13), (1975, 1, 14),
        (1976, 1, 15), (1977, 1, 16), (1978, 1, 17), (1979, 1, 18), (1980, 1, 19),
        (1981, 7, 20), (1982, 7, 21), (1983, 7, 22), (1985, 7, 23), (1988, 1, 24),
        (1990, 1, 25), (1991, 1, 26), (1992, 7, 27), (1993, 7, 28), (1994, 7, 29),
        (1996, 1, 30), (1997, 7, 31), (1999, 1, 32), (2006, 1, 33), (2009, 1, 34),
        (2012, 7, 35), (2015, 7, 36), (2017, 1, 37),
    )
)  # fmt: skip
"""From this UTC date on, TAI - UTC is so many seconds."""

LEAP_TABLE_UNTIL = date(2027, 6, 30)
"""Beyond this date the table promises nothing; a log from later is noted."""

_EPOCH_DAY = date(1970, 1, 1).toordinal()
_STEP_UTC_NS = np.array(
    [(d.toordinal() - _EPOCH_DAY) * DAY_NS for d, _ in LEAP_STEPS], dtype=np.int64
)
_STEP_S = np.array([s for _, s in LEAP_STEPS], dtype=np.int64)


def to_utc(ns: npt.NDArray[np.int64], scale: str) -> npt.NDArray[np.int64]:
    """Turn TAI or GPS instants into UTC ones, both as ns since 1970.

    POSIX time, which polars and Parquet count in, has no room for second 60:
    it shares one second with second 59, so that no two instants become one.
    """
    if scale == "UTC":
        return ns
    tai = ns + (19 * SECOND_NS if scale == "GPS" else 0)
    # the step at UTC instant u with new offset s begins at TAI u + s - 1
    starts = _STEP_UTC_NS + (_STEP_S - 1) * SECOND_NS
    starts[0] = _STEP_UTC_NS[0] + _STEP_S[0] * SECOND_NS
    place = np.maximum(np.searchsorted(starts, tai, side="right") - 1, 0)
    offset = _STEP_S[place]
    # seconds 59 and 60 of the day that ends in a leap second
    after = np.minimum(np.searchsorted(starts, tai + SECOND_NS, side="right") - 1, len(starts) - 1)
    since = tai - (starts[after] - SECOND_NS)
    inside = (after > 0) & (since >= 0) & (since < 2 * SECOND_NS)
    utc: npt.NDArray[np.int64] = np.where(
        inside, _STEP_UTC_NS[after] - SECOND_NS + since // 2, tai - offset * SECOND_NS
    )
    return utc


def leap_second_day(day: date) -> bool:
    """Tell whether this UTC day ends, or may yet end, in a second 60."""
    following = date.fromordinal(day.toordinal() + 1)
    if day > LEAP_TABLE_UNTIL:
        return (day.month, day.day) in {(6, 30), (12, 31)}
    return any(step == following for step, _ in LEAP_STEPS[1:])


def parse_start(text: str) -> int:
    """Return ns since 1970 for a stated instant; it must name its zone.

    Examples
    --------
    >>> parse_start("2031-03-01T00:00:00.000000001Z")
    1930089600000000001
    """
    found = re.fullmatch(r"\s*(.+?[T ]\d\d:\d\d:\d\d)(?:[.,](\d{1,9}))?(Z|[+-]\d\d:\d\d)\s*", text)
    if found is None:
        raise ValueError(f"{text!r} is no instant with a zone, such as 2031-03-01T00:00:00Z")
    body, fraction, zone = found.groups()
    try:
        instant = datetime.fromisoformat(body + ("+00:00" if zone == "Z" else zone)).astimezone(UTC)
    except OverflowError:
        raise ValueError(f"{text!r} is beyond the years that a clock counts") from None
    whole = round((instant - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds())
    if abs(whole) > LARGEST_NS // SECOND_NS:
        raise ValueError(f"{text!r} lies beyond the years 1825 to 2115, in which samples are kept")
    return whole * SECOND_NS + int((fraction or "0").ljust(9, "0"))
