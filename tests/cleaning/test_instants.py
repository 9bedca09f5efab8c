"""Instants of even width are read as Python's own datetime reads them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from replay.cleaning.times.instants import even_instants

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
INSTANTS = st.datetimes(datetime(1700, 1, 1), datetime(2250, 1, 1))  # what 64 bits of ns hold


def us(text: str) -> int:
    """Return us since 1970 as Python's datetime.fromisoformat says (the reference)."""
    at = datetime.fromisoformat(text.replace("Z", "+00:00"))
    return (at.replace(tzinfo=at.tzinfo or UTC) - EPOCH) // timedelta(microseconds=1)


@given(
    st.lists(INSTANTS, min_size=1, max_size=20), st.sampled_from("T "), st.sampled_from(["", "Z"])
)
def test_reads_what_datetime_reads(instants: list[datetime], sign: str, zone: str) -> None:
    words = [at.isoformat(sign, "microseconds") + zone for at in instants]
    found = even_instants(pl.Series(words))
    assert found is not None
    assert found[0].tolist() == [us(w) * 1000 for w in words]
    assert found[1] is bool(zone)


@given(st.lists(INSTANTS, min_size=3, max_size=20))
def test_a_slice_of_a_longer_column(instants: list[datetime]) -> None:
    words = [at.isoformat("T", "milliseconds") for at in instants]
    found = even_instants(pl.Series(words)[1:])
    assert found is not None
    assert found[0].tolist() == [us(w) * 1000 for w in words[1:]]


def test_nine_decimals_are_kept() -> None:
    found = even_instants(pl.Series(["2031-03-01T00:00:00.000000001Z"]))
    assert found is not None
    assert found[0][0] == us("2031-03-01T00:00:00Z") * 1000 + 1


@pytest.mark.parametrize(
    "word",
    [
        "2031-02-29T00:00:00Z",  # no leap year
        "2031-02-28T24:00:00Z",
        "2031-02-28T23:60:00Z",
        "2016-12-31T23:59:60Z",  # a leap second: for the reader that knows them
        "2031-02-28T23:00:00.Z",
        "2031-02-28T23:00:0aZ",
        "2031-02-28T23:00:00+",
        "2031-02-2823:00:00Z",
        "2031/02/28T23:00:00Z",
        "1500-02-28T23:00:00Z",  # before what 64 bits of ns hold
        "2031-02-28T23:00:00.1234567890Z",
        "2031-02-28T23:00:0\u0660",
        None,
    ],
)
def test_other_forms_are_left_to_the_general_reader(word: str | None) -> None:
    good = "2031-02-28T23:00:00.1234567890Z"[: len(word or "") - 1] + "Z"
    assert even_instants(pl.Series([word], dtype=pl.String)) is None
    assert even_instants(pl.Series([good, word], dtype=pl.String)) is None
