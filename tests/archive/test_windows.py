"""Plots never lose a spike, whatever the window and the number of points."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from replay.archive import Archive, open_archive
from replay.errors import ArchiveError, UsageError
from tests.archive.streams import record, stream
from tests.start import START, START_NS


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


def test_spans_of_a_long_stream_are_those_of_its_rows(
    archive: Archive, long_stream: pl.DataFrame
) -> None:
    """The long stream's runs were stored with it; here they are counted by hand."""
    runs = archive.root / "samples/long/overviews/main.runs.parquet"
    assert runs.exists()
    spans = archive.spans("long", "J1.brake_engaged")
    assert spans["value"].to_list() == [n % 2 == 0 for n in range(400)]
    assert spans["start"].to_list() == [START + timedelta(seconds=10 * n) for n in range(400)]
    assert spans["end"].to_list()[:-1] == spans["start"].to_list()[1:]
    assert spans["end"][-1] == long_stream["time"][-1]
    start = START + timedelta(seconds=2615)  # 262,144 rows are one piece: its edge is inside
    cut = archive.spans("long", "J1.brake_engaged", start, start + timedelta(seconds=20))
    assert cut["value"].to_list() == [False, True, False]
    assert cut["start"][0] == start
    assert cut["end"][-1] == start + timedelta(seconds=20)


def test_spans_keep_nanoseconds(tmp_path_factory: pytest.TempPathFactory) -> None:
    made = open_archive(tmp_path_factory.mktemp("ns") / "archive", create=True)
    frame = stream(3).with_columns(pl.col("time") + pl.duration(nanoseconds=7))
    made.add_session(record("s", frame), {"main": frame})
    spans = made.spans("s", "J1.brake_engaged")
    assert spans["start"].to_physical().to_list() == [START_NS + 7]
    assert spans["end"].to_physical().to_list() == [START_NS + 20_000_007]


def test_a_channel_that_changes_all_the_time_still_has_spans(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    made = open_archive(tmp_path_factory.mktemp("busy") / "archive", create=True)
    frame = stream(140_000).with_columns(phase=pl.int_range(pl.len()).cast(pl.String))
    made.add_session(record("s", frame), {"main": frame})
    spans = made.spans("s", "phase", START + timedelta(seconds=1), START + timedelta(seconds=2))
    assert spans["value"].to_list() == [str(n) for n in range(100, 200)]


@settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_any_window_of_any_samples_keeps_its_extremes(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    rows = data.draw(st.integers(1, 400))
    steps = data.draw(st.lists(st.integers(1, 10**11), min_size=rows, max_size=rows))
    cell = st.one_of(st.none(), st.floats(-(2.0**100), 2.0**100, width=32), st.just(float("nan")))
    cells = data.draw(st.lists(cell, min_size=rows, max_size=rows))
    points = data.draw(st.integers(2, 60))
    time_ns = START_NS + np.cumsum(np.array(steps, dtype=np.int64))
    frame = pl.DataFrame(
        {
            "time": pl.Series(time_ns).cast(pl.Datetime("ns", "UTC")),
            "J1.current_a": pl.Series(cells, dtype=pl.Float64),
        }
    )
    made = open_archive(tmp_path_factory.mktemp("any") / "archive", create=True)
    made.add_session(record("s", frame), {"main": frame})
    time, value = made.window("s", ["J1.current_a"], max_points=points)["J1.current_a"]
    raw = frame["J1.current_a"].fill_nan(None).drop_nulls().to_numpy()
    assert set(time.tolist()) <= set(time_ns.tolist())
    assert (np.diff(time) >= 0).all()
    assert value.size <= max(points, 2)
    if raw.size:
        assert np.nanmin(value) == np.float32(raw.min())
        assert np.nanmax(value) == np.float32(raw.max())
    else:
        assert np.isnan(value).all()


def test_few_rows_keep_their_holes(tmp_path_factory: pytest.TempPathFactory) -> None:
    made = open_archive(tmp_path_factory.mktemp("holes") / "archive", create=True)
    cells = [1.0, None, 2.0, None, None, 3.0] * 3
    frame = stream(len(cells)).with_columns(pl.Series("J1.current_a", cells))
    made.add_session(record("s", frame), {"main": frame})
    _, value = made.window("s", ["J1.current_a"], max_points=20)["J1.current_a"]
    assert np.isnan(value).tolist() == [c is None for c in cells]
