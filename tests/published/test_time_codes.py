"""Time codes and leap seconds against published octets and offsets.

Octets: CCSDS 301.0-B-4 (November 2010) as quoted by public test suites with
section numbers. TAI - UTC: IERS Bulletin C.
"""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest

from replay.cleaning.times.time_column import Clock
from replay.logs.maps import TimeEntry
from replay.logs.times.timecodes import decode_cds, decode_cuc
from replay.logs.times.timeforms import SECOND_NS, to_utc

T_1988_NS = 569_524_843 * SECOND_NS + 123_456_000  # POSIX 569524843, from the same suites


def ns(*when: int) -> int:
    """Return ns since 1970 of a UTC instant."""
    return int(datetime(*when, tzinfo=UTC).timestamp()) * SECOND_NS  # type: ignore[misc, arg-type]


def read(form: str, *cells: str | None, **more: str) -> list[int | None]:
    """Read cells with a clock of this form."""
    clock = Clock(TimeEntry(columns=("t",), format=form, **more))  # type: ignore[arg-type]
    got, ok = clock.read(pl.Series(cells, dtype=pl.String), len(cells))
    return [int(n) if good else None for n, good in zip(got, ok, strict=True)]


def test_ascii_codes_a_and_b() -> None:  # CCSDS 301.0-B-4, 3.5.1.1 and 3.5.1.2
    assert read("ccsds-a", "1988-01-18T17:20:43.123456Z") == [T_1988_NS]
    assert read("ccsds-b", "1988-018T17:20:43.123456Z") == [T_1988_NS]


def test_day_segmented_code() -> None:
    assert decode_cds(bytes.fromhex("41 2A DE 03 B8 CE 73 01 C8")) == T_1988_NS
    assert read("ccsds-cds", "412ADE03B8CE7301C8") == [T_1988_NS]


def test_unsegmented_code_counts_tai_from_1958() -> None:
    millennium = ns(2000, 1, 1)
    assert read("ccsds-cuc", "1C4EFFA220", "1D4EFFA22080") == [
        millennium,
        millennium + SECOND_NS // 2,
    ]
    tai = decode_cuc(bytes.fromhex("1C4EFFA220"))
    assert tai - millennium == 32 * SECOND_NS  # TAI - UTC at 2000-01-01


def test_leap_second_of_2016() -> None:
    half_past = read("ccsds-cds", "40542D05265DF4", "40542C05265DF4")
    assert half_past == [ns(2017, 1, 1) + SECOND_NS // 2, None]  # day 21548 had no second 60
    assert read("iso8601", "2016-12-31T23:59:60.5Z", "2016-12-30T23:59:60.5Z") == half_past


def test_agency_epoch_is_refused_unless_stated() -> None:
    with pytest.raises(ValueError, match="agency epoch"):
        decode_cuc(bytes.fromhex("2C00000001"))
    assert decode_cuc(bytes.fromhex("2C00000001"), epoch_ns=ns(2030, 1, 1)) == (
        ns(2030, 1, 1) + SECOND_NS
    )


@pytest.mark.parametrize(
    ("when", "seconds"),
    [((1988, 1, 18), 24), ((2000, 1, 1), 32), ((2016, 12, 31), 36), ((2017, 1, 1), 37)],
)
def test_tai_is_ahead_of_utc(when: tuple[int, int, int], seconds: int) -> None:
    utc = np.array([ns(*when)])
    assert to_utc(utc + seconds * SECOND_NS, "TAI").tolist() == utc.tolist()
    assert to_utc(utc + (seconds - 19) * SECOND_NS, "GPS").tolist() == utc.tolist()


def test_day_of_year() -> None:  # ISO 8601 ordinal date: 25 November 2026 is day 329
    assert read("day-of-year", "2026-329T07:59:55Z") == [ns(2026, 11, 25, 7, 59, 55)]
    assert read("day-of-year", "329:07:59:55", "366:00:00:00", start="2026-01-01T00:00:00Z") == [
        ns(2026, 11, 25, 7, 59, 55),
        None,
    ]


def test_decimal_epochs_keep_their_nanoseconds() -> None:
    assert read("epoch-s", "1930089600.123456789") == [1_930_089_600_123_456_789]
    assert read("epoch-ns", "1930089600123456789") == [1_930_089_600_123_456_789]
    assert read("epoch-us", "-1.5") == [-1500]
