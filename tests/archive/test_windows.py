"""Plots never lose a spike, whatever the window and the number of points."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from replay.archive import Archive, open_archive
from replay.errors import ArchiveError, UsageError
from tests.archive.streams import START, record, stream


@pytest.fixture(scope="module")
def long_stream() -> pl.DataFrame:
    frame = stream(400_000)
    current = frame["J1.current_a"].to_numpy().copy()
    current[123_457] = 55.0
    current[300_001] = -44.0
    current[200_000:210_000] = np.nan
    return frame.with_columns(pl.Series("J1.current_a", current))


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory, long_stream: pl.DataFrame) -> Archive:
    made = open_archive(tmp_path_factory.mktemp("windows") / "archive", create=True)
    made.add_session(record("long", long_stream), {"main": long_stream})
    short = stream(5_000)
    made.add_session(record("short", short), {"main": short})
    return made


@pytest.mark.parametrize("points", [10, 500, 2000, 20_000])
@pytest.mark.parametrize(("first", "rows"), [(0, 400_000), (120_000, 100_000), (123_400, 100)])
def test_the_extremes_of_a_window_are_in_its_points(
    archive: Archive, long_stream: pl.DataFrame, points: int, first: int, rows: int
) -> None:
    start = START + timedelta(milliseconds=10 * first)
    time, value = archive.window(
        "long", ["J1.current_a"], start, start + timedelta(milliseconds=10 * rows), points
    )["J1.current_a"]
    whole = long_stream["J1.current_a"][first : first + rows].to_numpy().astype(np.float32)
    assert np.nanmin(value) <= np.nanmin(whole)
    assert np.nanmax(value) >= np.nanmax(whole)
    assert value.size <= max(points, 2)
    assert (np.diff(time) >= 0).all()
    assert value.dtype == np.float32


def test_a_spike_stands_where_it_was(archive: Archive) -> None:
    time, value = archive.window("long", ["J1.current_a"])["J1.current_a"]
    seen_s = (time[np.nanargmax(value)] - int(START.timestamp()) * 10**9) / 1e9
    assert seen_s == pytest.approx(1234.57, abs=4000 / 1000)  # one of 1000 buckets is 4 s wide


def test_no_sample_stands_out_of_the_points_around_it(
    archive: Archive, long_stream: pl.DataFrame
) -> None:
    """Points are at most one bucket (3 s) and one block (0.64 s) away from their sample."""
    start, end = START + timedelta(seconds=100), START + timedelta(seconds=400)
    time, value = archive.window("long", ["J1.current_a"], start, end, 200)["J1.current_a"]
    rows = long_stream.filter(pl.col("time") >= start, pl.col("time") < end)
    for bucket in range(100):
        low = int(start.timestamp()) * 10**9 + bucket * 3 * 10**9
        raw = rows.filter(
            pl.col("time").to_physical() >= low, pl.col("time").to_physical() < low + 3 * 10**9
        )["J1.current_a"].to_numpy()
        near = value[(time >= low - 3_640_000_000) & (time < low + 6_640_000_000)]
        assert near.max() >= np.float32(raw.max())
        assert near.min() <= np.float32(raw.min())


def test_a_hole_stays_a_hole(archive: Archive) -> None:
    start = START + timedelta(seconds=2010)
    _, value = archive.window("long", ["J1.current_a"], start, start + timedelta(seconds=80))[
        "J1.current_a"
    ]
    assert value.size
    assert np.isnan(value).all()


def test_few_rows_come_back_as_they_are(archive: Archive) -> None:
    start = START + timedelta(seconds=1)
    time, value = archive.window("short", ["J1.current_a"], start, start + timedelta(seconds=2))[
        "J1.current_a"
    ]
    raw = stream(5_000)[100:300]
    assert (time == raw["time"].to_physical().to_numpy()).all()
    assert (value == raw["J1.current_a"].cast(pl.Float32).to_numpy()).all()


def test_yes_and_no_are_one_and_nought(archive: Archive) -> None:
    found = archive.window("long", ["J1.current_a", "J1.brake_engaged"])
    assert list(found) == ["J1.current_a", "J1.brake_engaged"]
    assert set(found["J1.brake_engaged"][1]) == {0.0, 1.0}


def test_words_have_spans_not_points(archive: Archive) -> None:
    with pytest.raises(UsageError, match="phase"):
        archive.window("short", ["phase"])
    spans = archive.spans("short", "phase")
    assert spans["value"].to_list() == ["approach", "stow"]
    assert spans["start"][1] == spans["end"][0] == START + timedelta(seconds=25)
    assert spans["end"][1] == START + timedelta(seconds=49.99)


def test_spans_keep_the_unknown_apart(tmp_path_factory: pytest.TempPathFactory) -> None:
    made = open_archive(tmp_path_factory.mktemp("spans") / "archive", create=True)
    frame = stream(6).with_columns(
        pl.Series("J1.brake_engaged", [True, True, None, None, False, True])
    )
    made.add_session(record("s", frame), {"main": frame})
    spans = made.spans("s", "J1.brake_engaged")
    assert spans["value"].to_list() == [True, None, False, True]
    cut = made.spans("s", "J1.brake_engaged", START + timedelta(milliseconds=20))
    assert cut["value"].to_list() == [None, False, True]


def test_an_unknown_channel_is_named(archive: Archive) -> None:
    with pytest.raises(ArchiveError, match=r"J9\.current_a"):
        archive.window("long", ["J9.current_a"])


def test_an_overview_equals_the_blocks_of_the_samples(
    archive: Archive, long_stream: pl.DataFrame
) -> None:
    found = archive.overview("long", "main", ["J1.current_a"])
    whole = long_stream["J1.current_a"].to_numpy()
    assert found.height == -(-400_000 // 1024)
    for block in (0, 120, 195, found.height - 1):
        rows = whole[block * 1024 : (block + 1) * 1024]
        if np.isnan(rows).all():
            assert found["J1.current_a.max"][block] is None
        else:
            assert found["J1.current_a.max"][block] == pytest.approx(np.nanmax(rows), rel=1e-6)
            assert found["J1.current_a.min"][block] == pytest.approx(np.nanmin(rows), rel=1e-6)
