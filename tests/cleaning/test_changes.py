"""Every change to a value or a time is told in the quality record."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from replay.arm import load_arm
from replay.cleaning.times.order import Orderer
from tests.cleaning.logs import MAP, instants, notes, only, samples, table, take, text

START = datetime(2031, 3, 1, tzinfo=UTC)


def ingest_frame(folder: Path, frame: pl.DataFrame, log_map: str = MAP, **more: object):  # type: ignore[no-untyped-def]
    """Write a table as CSV, ingest it, return its session and samples."""
    log = folder / "log.csv"
    log.write_text(text(frame))
    archive, result = take(folder, log, log_map=log_map, **more)
    session = only(result)
    return session, samples(archive, session)


def with_times(frame: pl.DataFrame, seconds: np.ndarray) -> pl.DataFrame:
    """Replace the instants by START plus these seconds."""
    at = [START + timedelta(seconds=float(s)) for s in seconds]
    return frame.with_columns(pl.Series("t", at).dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ").alias("t"))


def test_late_rows_are_put_in_their_place(tmp_path: Path) -> None:
    frame = table(200)
    order = list(range(200))
    order.insert(60, order.pop(40))
    session, got = ingest_frame(tmp_path, frame[order])
    assert got["J1.angle_deg"].to_list() == frame["a1"].to_list()
    note = notes(session, "reordered")[0]
    assert note.count == 1
    assert note.start == START + timedelta(seconds=4)


def test_repeated_rows_are_left_out(tmp_path: Path) -> None:
    frame = table(200)
    session, got = ingest_frame(tmp_path, pl.concat([frame[:50], frame[49:]]))
    assert got.height == 200
    assert notes(session, "duplicate")[0].count == 1
    assert not notes(session, "contradiction")


def test_one_instant_said_twice_differently_keeps_the_first(tmp_path: Path) -> None:
    frame = table(200)
    other = frame[49:50].with_columns(a1=pl.lit(5.0))
    session, got = ingest_frame(tmp_path, pl.concat([frame[:50], other, frame[50:]]))
    assert got["J1.angle_deg"].to_list() == frame["a1"].to_list()
    assert notes(session, "contradiction")[0].count == 1
    assert "rows 51" in notes(session, "contradiction")[0].detail


def test_clock_set_back_sets_the_repeated_time_aside(tmp_path: Path) -> None:
    seconds = np.arange(600) / 10.0
    seconds[300:] -= 10.0
    session, got = ingest_frame(tmp_path, with_times(table(600), seconds))
    note = notes(session, "clock-step")[0]
    assert "set back by up to 9.9 s" in note.detail
    assert note.count == 100
    assert got["time"].diff().drop_nulls().min() > timedelta(0)  # type: ignore[operator]
    assert got.height == 500


def test_clock_spike_does_not_lose_what_follows(tmp_path: Path) -> None:
    seconds = np.arange(600) / 10.0
    seconds[300] += 1e6
    session, got = ingest_frame(tmp_path, with_times(table(600), seconds))
    assert got.height == 599
    assert notes(session, "clock-spike")[0].count == 1
    assert session.end < START + timedelta(minutes=2)


@pytest.mark.parametrize("block", [7, 64, 1000])
def test_order_does_not_depend_on_blocks(block: int) -> None:
    rng = np.random.default_rng(3)
    ns = np.arange(2000, dtype=np.int64) * 1000
    for k in rng.integers(100, 1900, 40):
        ns[k : k + 5] = np.roll(ns[k : k + 5], 2)
    frame = pl.DataFrame({"x": np.arange(2000.0)})

    def run(size: int) -> tuple[list[int], list[float]]:
        orderer, out_ns, out = Orderer(1000), [], []
        for begin in range(0, 2000, size):
            end = min(begin + size, 2000)
            got, got_ns = orderer.push(
                frame[begin:end], ns[begin:end], np.arange(begin + 1, end + 1)
            )
            out_ns += got_ns.tolist()
            out += got["x"].to_list() if got.height else []
        got, got_ns = orderer.finish()
        return out_ns + got_ns.tolist(), out + got["x"].to_list()

    whole = run(2000)
    assert run(block) == whole
    assert whole[0] == sorted(set(ns.tolist()))


def test_gaps_are_told_with_their_span(tmp_path: Path) -> None:
    frame = table(400)
    session, _ = ingest_frame(tmp_path, pl.concat([frame[:100], frame[150:]]))
    gap = notes(session, "gap")[0]
    assert (gap.start, gap.end) == (START + timedelta(seconds=9.9), START + timedelta(seconds=15))
    assert gap.count == 50
    assert session.completeness == pytest.approx(350 / 400)
    assert session.rate_hz == pytest.approx(10.0)


def test_sentinels_become_null(tmp_path: Path) -> None:
    frame = table(400).with_columns(
        pl.when(pl.int_range(pl.len()) % 100 == 3).then(-9999.0).otherwise("a1").alias("a1"),
        pl.when(pl.int_range(pl.len()) == 7).then(float("nan")).otherwise("i2").alias("i2"),
    )
    session, got = ingest_frame(tmp_path, frame)
    told = {(n.channel, n.count) for n in notes(session, "sentinel")}
    assert told == {("J1.angle_deg", 4), ("J2.current_a", 1)}
    assert got["J1.angle_deg"].null_count() == 4
    assert got["J2.current_a"].null_count() == 1


def test_large_true_values_are_no_sentinels(tmp_path: Path) -> None:
    frame = table(400).with_columns((pl.int_range(pl.len()) * 25.0 + 0.5).alias("i1"))
    frame = frame.with_columns(
        pl.when(pl.col("i1") == 9975.5).then(9999.0).otherwise("i1").alias("i1")
    )
    session, got = ingest_frame(tmp_path, frame)
    assert got["J1.current_a"].max() == 9999.0
    assert not notes(session, "sentinel")


def test_wrapping_angle_is_unwrapped(tmp_path: Path) -> None:
    true = np.linspace(0, 900, 400)
    wrapped = np.round((true + 180) % 360 - 180, 6)
    session, got = ingest_frame(tmp_path, table(400).with_columns(pl.Series("a1", wrapped)))
    assert np.allclose(got["J1.angle_deg"].to_numpy(), true, atol=1e-5)
    assert notes(session, "angle-wrap")[0].count == 3
    assert notes(session, "angle-wrap")[0].channel == "J1.angle_deg"


def test_many_turns_are_no_wrap(tmp_path: Path) -> None:
    angle = np.round(np.concatenate([np.linspace(0, 260, 200), np.linspace(-260, 0, 200)]), 6)
    session, got = ingest_frame(tmp_path, table(400).with_columns(pl.Series("a1", angle)))
    assert got["J1.angle_deg"].to_list() == angle.tolist()
    assert not notes(session, "angle-wrap")


def test_stuck_current_is_told_and_kept(tmp_path: Path) -> None:
    values = table(2000)["i1"].to_numpy().copy()
    values[500:560] = 1.2345
    session, got = ingest_frame(tmp_path, table(2000).with_columns(pl.Series("i1", values)))
    note = notes(session, "stuck")[0]
    assert (note.channel, note.count) == ("J1.current_a", 60)
    assert note.start == START + timedelta(seconds=50)
    assert note.end == START + timedelta(seconds=55.9)
    assert got["J1.current_a"].to_list() == values.tolist()


def test_current_on_a_rail_is_told(tmp_path: Path) -> None:
    values = np.minimum(table(2000)["i1"].to_numpy() + 3 * np.sin(np.arange(2000) / 40), 3.5)
    session, _ = ingest_frame(tmp_path, table(2000).with_columns(pl.Series("i1", values)))
    assert {n.channel for n in notes(session, "saturated")} == {"J1.current_a"}
    assert "3.5" in notes(session, "saturated")[0].detail


def test_impossible_step_needs_a_rate_limit_and_is_kept(tmp_path: Path) -> None:
    arm = load_arm(
        '[arm]\nname = "Heron"\n'
        '[[joints]]\nname = "J1"\nrate_limit_deg_s = 40.0\n[[joints]]\nname = "J2"\n'
    )
    values = table(400)["a1"].to_numpy().copy()
    values[200] += 100
    frame = table(400).with_columns(pl.Series("a1", values))
    session, got = ingest_frame(tmp_path, frame, arm=arm)
    assert notes(session, "step")[0].count == 2
    assert "2 changes too large for one sample, the largest 1" in notes(session, "step")[0].detail
    assert " deg; values are kept" in notes(session, "step")[0].detail
    assert got["J1.angle_deg"].to_list() == values.tolist()


def test_one_impossible_step_is_told_in_the_singular_with_its_unit(tmp_path: Path) -> None:
    arm = load_arm(
        '[arm]\nname = "Heron"\n'
        '[[joints]]\nname = "J1"\nrate_limit_deg_s = 40.0\n[[joints]]\nname = "J2"\n'
    )
    values = table(400)["a1"].to_numpy().copy()
    values[200:] += 100
    session, _ = ingest_frame(tmp_path, table(400).with_columns(pl.Series("a1", values)), arm=arm)
    (note,) = notes(session, "step")
    assert note.count == 1
    assert note.detail.startswith("1 change too large for one sample, ")
    assert note.detail.endswith(" deg; values are kept")


def test_units_are_converted_and_told(tmp_path: Path) -> None:
    log_map = MAP.replace('"deg"', '"rad"').replace('"A"', '"mA"')
    session, got = ingest_frame(tmp_path, table(100), log_map)
    assert got["J1.angle_deg"].to_list() == pytest.approx(
        np.degrees(table(100)["a1"].to_numpy()).tolist()
    )
    assert got["J1.current_a"].to_list() == pytest.approx((table(100)["i1"] / 1000).to_list())
    assert len(notes(session, "unit")) == 4


BRAKE = '[joint.brake_state]\ncolumn = "b{n}"\nwords = { ENG = "engaged", REL = "released" }\n'


def test_unmapped_brake_word_is_null_and_told(tmp_path: Path) -> None:
    words = ["ENG", "rel ", "CHK", None] * 25
    frame = table(100).with_columns(b1=pl.Series(words), b2=pl.lit("REL"))
    session, got = ingest_frame(tmp_path, frame, MAP + BRAKE)
    assert got["J1.brake_engaged"].to_list() == [True, False, None, None] * 25
    assert got["J2.brake_engaged"].to_list() == [False] * 100
    note = notes(session, "unknown-word")[0]
    assert (note.joint, note.count) == ("J1", 25)
    assert "'CHK' 25 times" in note.detail


def test_numbers_from_the_base_become_physical_joints(tmp_path: Path) -> None:
    base = '[session.base_end]\nvalue = "{}"\n'
    for end, mine in (("A", "a1"), ("B", "a2")):
        folder = tmp_path / end
        folder.mkdir()
        log_map = MAP.replace("[log]", '[log]\nnumbering = "base"') + base.format(end)
        session, got = ingest_frame(folder, table(100), log_map)
        assert session.base_end == end
        assert got["J1.angle_deg"].to_list() == table(100)[mine].to_list()
        assert "signs are as logged" in notes(session, "base-numbering")[0].detail


def test_what_is_missing_is_said(tmp_path: Path) -> None:
    session, _ = ingest_frame(tmp_path, table(100))
    told = " ".join(session.switched_off)
    assert "no temperature" in told
    assert "no brake state" in told
    assert "no angle" not in told


@settings(max_examples=25, suppress_health_check=list(HealthCheck))
@given(
    values=st.lists(
        st.one_of(st.none(), st.floats(-800, 800, allow_nan=False, width=64)),
        min_size=3,
        max_size=60,
    ),
    kind=st.sampled_from(["csv", "parquet", "ndjson"]),
)
def test_the_same_values_come_out(
    tmp_path_factory: pytest.TempPathFactory, values: list[float | None], kind: str
) -> None:
    folder = tmp_path_factory.mktemp("trip")
    n = len(values)
    frame = pl.DataFrame(
        {
            "t": instants(n).dt.strftime("%Y-%m-%dT%H:%M:%S%.9fZ"),
            "a1": pl.Series(range(n), dtype=pl.Float64),
            "a2": pl.Series(range(n), dtype=pl.Float64),
            "i1": pl.Series(values, dtype=pl.Float64),
            "i2": pl.Series([1.0 + k for k in range(n)]),
        }
    )
    log = folder / f"log.{kind}"
    {"csv": frame.write_csv, "parquet": frame.write_parquet, "ndjson": frame.write_ndjson}[kind](
        log
    )
    archive, result = take(folder, log)
    got = samples(archive, only(result))
    assert got["time"].to_list() == instants(n).to_list()
    assert got["J1.current_a"].to_list() == values
