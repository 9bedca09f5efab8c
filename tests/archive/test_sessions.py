"""A session goes in whole and comes out as it was."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pyarrow.dataset
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from replay.archive import Archive, open_archive, verify
from replay.digests import file_digest
from replay.errors import ArchiveError
from tests.archive.streams import record, stream
from tests.start import START, START_NS


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return open_archive(tmp_path / "archive", create=True)


def test_the_record_comes_back_whole(archive: Archive) -> None:
    frame = stream(200)
    given_record = record("s1", frame, payload_kg=410.5, person_on_tip=False, arm_toml="[arm]")
    assert archive.add_session(given_record, {"main": frame})
    assert archive.session("s1") == given_record
    assert open_archive(archive.root).session("s1") == given_record
    assert archive.sessions()["payload_kg"].to_list() == [410.5]


def test_the_second_time_nothing_changes(archive: Archive) -> None:
    frame = stream(200)
    assert archive.add_session(record("s1", frame), {"main": frame})
    version = archive.tables.version("sessions")
    assert not archive.add_session(record("s1", frame), {"main": stream(50, seed=9)})
    assert archive.tables.version("sessions") == version
    assert_frame_equal(archive.samples("s1").collect(), frame)


@pytest.mark.parametrize("how", ["frame", "lazy", "kept file", "foreign file"])
def test_a_stream_may_come_in_any_of_three_ways(archive: Archive, how: str) -> None:
    frame = stream(140_000)
    with archive.staging() as folder:
        path = folder / "staged.parquet"
        if how == "kept file":
            frame.lazy().sink_parquet(path, compression="zstd", row_group_size=65536)
        else:
            frame.write_parquet(path, compression="snappy", row_group_size=1000)
        given_stream = {"frame": frame, "lazy": frame.lazy()}.get(how, path)
        archive.add_session(record("s1", frame), {"main": given_stream})  # type: ignore[dict-item]
    assert_frame_equal(archive.samples("s1").collect(), frame)
    footer = pq.read_metadata(archive.root / "samples/s1/main.parquet")
    assert [footer.row_group(i).num_rows for i in range(footer.num_row_groups)] == [
        65536,
        65536,
        8928,
    ]
    assert footer.row_group(0).column(0).compression == "ZSTD"


def test_a_stream_that_does_not_fit_its_record_is_refused(archive: Archive) -> None:
    frame = stream(200)
    with pytest.raises(ArchiveError, match=r"J1\.current_a"):
        archive.add_session(record("s1", frame), {"main": frame.drop("J1.current_a")})
    with pytest.raises(ArchiveError, match="fast"):
        archive.add_session(record("s1", frame), {"fast": frame})
    with pytest.raises(ArchiveError, match="Datetime"):
        archive.add_session(
            record("s1", frame), {"main": frame.with_columns(pl.col("time").cast(pl.Int64))}
        )
    assert archive.sessions().height == 0
    assert not (archive.root / "samples").exists()
    assert [p.name for p in (archive.root / "staging").iterdir() if p.is_dir()] == []


@pytest.mark.parametrize("row", [1, 262_143, 262_144, 299_999])
def test_time_must_rise_strictly(archive: Archive, row: int) -> None:
    frame = stream(300_000)
    time = frame["time"].to_physical().to_numpy().copy()
    time[row] = time[row - 1]
    flat = frame.with_columns(pl.Series("time", time).cast(pl.Datetime("ns", "UTC")))
    with pytest.raises(ArchiveError, match="rise"):
        archive.add_session(record("s1", frame), {"main": flat})


def test_the_log_is_kept_as_it_came(archive: Archive, tmp_path: Path) -> None:
    log = tmp_path / "a.csv"
    log.write_bytes(b"t,a1\r\n0,1\r\n")
    frame = stream(20)
    archive.add_session(record("s1", frame, raw_sha256=file_digest(log)), {"main": frame}, raw=log)
    kept = archive.root / "raw" / file_digest(log) / "a.csv"
    assert kept.read_bytes() == log.read_bytes()
    assert verify(archive) == []


def test_a_log_that_changed_meanwhile_is_refused(archive: Archive, tmp_path: Path) -> None:
    log = tmp_path / "a.csv"
    log.write_text("t,a1\n0,1\n")
    before = file_digest(log)
    log.write_text("t,a1\n0,1\n1,2\n")
    frame = stream(20)
    with pytest.raises(ArchiveError, match="changed while it was read"):
        archive.add_session(record("s1", frame, raw_sha256=before), {"main": frame}, raw=log)
    assert archive.sessions().height == 0


def test_several_files_of_one_log_keep_their_order(archive: Archive, tmp_path: Path) -> None:
    for folder, text in (("b", "second"), ("a", "first")):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "log.csv").write_text(text)
    frame = stream(20)
    archive.add_session(
        record("s1", frame, raw_sha256="ab" * 32),
        {"main": frame},
        raw=[tmp_path / "b/log.csv", tmp_path / "a/log.csv"],
    )
    folder = archive.root / "raw" / ("ab" * 32)
    listed = json.loads((folder / "raw.json").read_text())["files"]
    assert [(folder / item["file"]).read_text() for item in listed] == ["second", "first"]


def test_samples_are_cut_by_time(archive: Archive) -> None:
    frame = stream(200_000)
    archive.add_session(record("s1", frame), {"main": frame})
    start = START + timedelta(seconds=1000)
    found = archive.samples(
        "s1", channels=["J1.current_a"], start=start, end=start + timedelta(seconds=60)
    ).collect()
    assert_frame_equal(found, frame.select("time", "J1.current_a")[100_000:106_000])


def test_one_channel_is_read_across_sessions(archive: Archive) -> None:
    one, two = stream(30), stream(40, seed=1, joints=2)
    archive.add_session(record("s1", one), {"main": one})
    archive.add_session(record("s2", two), {"main": two})
    found = archive.across(["J2.current_a"]).collect()
    assert found.height == 70
    assert found.filter(pl.col("session") == "s1")["J2.current_a"].null_count() == 30
    assert_frame_equal(
        found.filter(pl.col("session") == "s2").select("time", "J2.current_a"),
        two.select("time", "J2.current_a"),
    )


def test_other_tools_read_it_as_it_stands(archive: Archive) -> None:
    for number in range(3):
        frame = stream(1000, seed=number)
        archive.add_session(record(f"s{number}", frame), {"main": frame})
    files = str(archive.root / "samples" / "*" / "main.parquet")
    by_duckdb = duckdb.sql(f"select count(*), max(\"J1.current_a\") from read_parquet('{files}')")
    greatest = max(stream(1000, seed=n)["J1.current_a"].max() for n in range(3))  # type: ignore[type-var]
    assert by_duckdb.fetchall() == [(3000, greatest)]
    paths = sorted(str(p) for p in (archive.root / "samples").glob("*/main.parquet"))
    assert pyarrow.dataset.dataset(paths).count_rows() == 3000
    listed = pl.scan_delta(str(archive.root / "tables/sessions")).collect()
    assert sorted(listed["session"]) == ["s0", "s1", "s2"]


VALUES = {
    "J1.current_a": st.one_of(st.none(), st.floats(width=64)),
    "J1.temperature_c": st.floats(width=64, allow_nan=False),
    "J1.brake_engaged": st.one_of(st.none(), st.booleans()),
    "phase": st.one_of(st.none(), st.text(max_size=8)),
    "payload_kg": st.none(),
}
DTYPES = {
    "J1.current_a": pl.Float64,
    "J1.temperature_c": pl.Float64,
    "J1.brake_engaged": pl.Boolean,
    "phase": pl.String,
    "payload_kg": pl.Float64,
}


@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_any_channels_come_back_with_the_same_values(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    steps = data.draw(st.lists(st.integers(1, 10**12), min_size=1, max_size=30))
    names = data.draw(st.sets(st.sampled_from(sorted(VALUES)), min_size=1))
    time = START_NS + np.cumsum(np.array(steps, dtype=np.int64))
    columns = {"time": pl.Series(time).cast(pl.Datetime("ns", "UTC"))}
    for name in sorted(names):
        cells = data.draw(st.lists(VALUES[name], min_size=len(steps), max_size=len(steps)))
        columns[name] = pl.Series(cells, dtype=DTYPES[name])
    frame = pl.DataFrame(columns)
    archive = open_archive(tmp_path_factory.mktemp("any") / "archive", create=True)
    archive.add_session(record("s", frame), {"main": frame})
    assert_frame_equal(archive.samples("s").collect(), frame, check_exact=True)
