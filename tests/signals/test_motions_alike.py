"""Motions of a joint: cut, indexed, found again by likeness, paired in order."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from replay.archive import Archive, open_archive
from replay.records import Session
from replay.signals.joints import joint_table
from replay.signals.motion.difference_table import difference_table, median_interval
from replay.signals.motion.motions import (
    MOTIONS_SCHEMA,
    index_motions,
    indexed_sessions,
    joint_motions,
    known_motions,
    motion_at,
    session_motions,
)
from replay.signals.motion.pairing import _align, compare_sessions, pair_motions
from replay.signals.motion.similar import ONSET_SHARE, overlay, similar_motions

T0 = datetime(2031, 5, 1, 8, 0, tzinfo=UTC)
HZ = 50.0


def pulses(*plan: tuple[float, float, float]) -> np.ndarray:
    """Rates of a plan of (pause s, top speed deg/s, length s), sloped ends."""
    parts = []
    for pause_s, top, length_s in plan:
        n = int(length_s * HZ)
        ramp = np.minimum(np.arange(n), np.arange(n)[::-1]) / HZ
        parts += [np.zeros(int(pause_s * HZ)), np.sign(top) * np.minimum(abs(top), 2.0 * ramp)]
    return np.concatenate([*parts, np.zeros(int(2 * HZ))])


def add(
    archive: Archive,
    name: str,
    rate: np.ndarray,
    *,
    day: int = 0,
    extra_a: float = 0.0,
    serial: str = "TU-201",
    temperature_c: float = 20.0,
    seed: int = 0,
) -> None:
    rng = np.random.default_rng(seed)
    n = len(rate)
    start = T0 + timedelta(days=day)
    micros = (np.arange(n) * 1e6 / HZ).astype(np.int64)
    current = np.sign(rate) * (1.0 + extra_a) + 0.1 * rate + rng.normal(0, 0.02, n)
    frame = pl.DataFrame({"time": [start + timedelta(microseconds=int(m)) for m in micros]})
    frame = frame.with_columns(
        pl.col("time").cast(pl.Datetime("ns", "UTC")),
        pl.Series("J1.angle_deg", 30 + np.cumsum(rate) / HZ),
        pl.Series("J1.rate_deg_s", rate),
        pl.Series("J1.current_a", current),
        pl.Series("J1.temperature_c", np.full(n, temperature_c)),
    )
    archive.add_session(
        Session(
            session=name,
            source=f"{name}.csv",
            arm="Heron",
            rows=n,
            start=start,
            end=frame["time"][-1],
            joints=("J1",),
            units={"J1": serial},
            channels={"main": tuple(frame.columns[1:])},
        ),
        {"main": frame},
    )


PLAN = ((2.0, 3.0, 10.0), (1.5, -2.0, 12.0), (1.0, 4.0, 8.0), (3.0, -4.0, 9.0), (2.0, 3.0, 10.0))


@pytest.fixture
def archive(tmp_path) -> Archive:
    return open_archive(tmp_path / "archive", create=True)


@pytest.mark.parametrize("logged", [True, False])
def test_a_jump_of_the_reading_is_no_travel(tmp_path, logged: bool) -> None:
    archive = open_archive(tmp_path / "a", create=True)
    rate = pulses((2.0, 1.5, 8.0), (3.0, -1.5, 8.0), (2.0, 1.0, 6.0))
    add(archive, "whole", rate)
    add(archive, "jumps", rate, day=1)
    record = archive.session("jumps")
    rows = archive.samples("jumps").collect()
    late = pl.int_range(pl.len()) >= int(16.0 * HZ)  # within the second motion
    rows = rows.with_columns(pl.col("J1.angle_deg") - pl.when(late).then(5.2).otherwise(0.0))
    if not logged:
        rows = rows.drop("J1.rate_deg_s")
    names = tuple(rows.columns[1:])
    archive.add_session(replace(record, session="j", channels={"main": names}), {"main": rows})
    found, true = (
        joint_motions(archive, name, "J1").filter(pl.col("motion") == "moving")["travel_deg"]
        for name in ("j", "whole")
    )
    assert found.to_list() == pytest.approx(true.to_list(), abs=0.1)


def test_motions_are_the_pulses_that_were_driven(archive):
    add(archive, "s1", pulses(*PLAN))
    moving = joint_motions(archive, "s1", "J1").filter(pl.col("motion") == "moving")
    assert moving["direction"].to_list() == [1, -1, 1, -1, 1]
    assert moving["speed_deg_s"].to_list() == pytest.approx([3, 2, 4, 4, 3], abs=0.1)
    assert moving["duration_s"].to_list() == pytest.approx([10, 12, 8, 9, 10], abs=0.3)
    travel = [float(np.sum(pulses((0.0, v, s)))) / HZ for _, v, s in PLAN]
    assert moving["travel_deg"].to_list() == pytest.approx(travel, abs=0.2)
    assert moving["serial"].unique().to_list() == ["TU-201"]


def test_an_event_belongs_to_the_motion_it_lies_in(archive):
    add(archive, "s1", pulses(*PLAN))
    motions = joint_motions(archive, "s1", "J1")
    moving = motions.filter(pl.col("motion") == "moving").row(2, named=True)
    event = moving["start"] + timedelta(seconds=3)
    assert motion_at(motions, event, event)["number"] == moving["number"]
    # an event from the pause before into the motion is the motion's
    early = moving["start"] - timedelta(seconds=0.6)
    late = moving["start"] + timedelta(seconds=0.4)
    assert motion_at(motions, early, late)["number"] == moving["number"]


def test_the_index_holds_each_session_once_and_agrees_with_the_samples(archive):
    for day in range(3):
        add(archive, f"s{day}", pulses(*PLAN), day=day, seed=day)
    assert index_motions(archive) == 3
    assert index_motions(archive) == 0
    assert indexed_sessions(archive) == {"s0", "s1", "s2"}
    assert known_motions(archive, "s1").equals(session_motions(archive, "s1"))
    index_motions(archive, ["s1"], again=True)
    assert known_motions(archive, "s1").height == session_motions(archive, "s1").height


def test_indexing_stops_when_progress_raises_and_keeps_what_is_whole(archive):
    for day in range(3):
        add(archive, f"s{day}", pulses(*PLAN), day=day)

    def stop(session: str, done: int, of: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        index_motions(archive, progress=stop)
    assert len(indexed_sessions(archive)) == 1
    assert index_motions(archive) == 2


def test_the_nearest_motion_is_the_same_manoeuvre_of_the_same_unit(archive):
    add(archive, "past", pulses(*PLAN), day=-30, seed=1)
    add(archive, "warm", pulses(*PLAN), day=-20, seed=2, temperature_c=45.0)
    add(archive, "other unit", pulses(*PLAN), day=-10, seed=3, serial="TU-999")
    add(archive, "now", pulses(*PLAN), seed=4, extra_a=0.5)
    index_motions(archive)
    motion = (
        joint_motions(archive, "now", "J1").filter(pl.col("motion") == "moving").row(3, named=True)
    )
    found = similar_motions(archive, "now", "J1", motion["start"], motion["end"], k=3)
    best = found.motions.row(0, named=True)
    assert best["session"] == "past"
    assert best["speed_deg_s"] == pytest.approx(4.0, abs=0.1)
    assert set(found.motions["direction"]) == {-1}
    assert "other unit" not in found.motions["session"].to_list()
    assert found.motions["distance"].is_sorted()
    assert "temperature_c" in found.compared
    assert "load_nm" not in found.compared  # nothing in this log says the load
    # the extra 0.5 A that was put in is what the two differ by
    assert abs(motion["current_a"]) - abs(best["current_a"]) == pytest.approx(0.5, abs=0.02)


def test_traces_are_laid_over_each_other_at_their_onset(archive):
    for day in range(4):
        add(archive, f"s{day}", pulses((1.0 + 0.37 * day, 3.0, 10.0)), day=day, seed=day)
    index_motions(archive)
    motions = known_motions(archive, "s0").filter(pl.col("motion") == "moving")
    for day in range(1, 4):
        mine = known_motions(archive, f"s{day}").filter(pl.col("motion") == "moving")
        motions = pl.concat([motions, mine])
    laid = overlay(archive, motions, before_s=0.5, after_s=5.0)
    assert laid["row"].n_unique() == 4
    grid = np.arange(0.0, 5.0, 0.05)
    rates = [
        np.interp(grid, mine["since_s"].to_numpy(), mine["rate_deg_s"].to_numpy())
        for mine in laid.partition_by("row")
    ]
    for a, b in pairwise(rates):
        assert np.abs(a - b).max() < 0.05
    assert [r[0] for r in rates] == pytest.approx([ONSET_SHARE * 3.0] * 4, abs=0.03)


def test_two_sessions_are_compared_pair_by_pair(archive):
    many = PLAN * 2
    add(archive, "a", pulses(*many), seed=1)
    short = pulses(*(p for i, p in enumerate(many) if i != 3))
    add(archive, "b", short, day=1, seed=2, extra_a=0.3, temperature_c=31.0)
    differences, pairs = compare_sessions(archive, "a", "b")
    assert pairs.height == len(many) - 1
    moving = known_motions(archive, "a").filter(pl.col("motion") == "moving")["number"]
    assert set(moving) - set(pairs["first"]) == {moving[3]}  # the one that "b" left out
    current = differences.filter(pl.col("quantity") == "motor current, size").row(0, named=True)
    assert current["difference"] == pytest.approx(0.3, abs=0.02)
    assert current["low"] <= 0.3 + 0.02
    assert current["high"] >= 0.3 - 0.02
    assert current["differs"] is True
    speed = differences.filter(pl.col("quantity") == "speed").row(0, named=True)
    assert speed["differs"] is False
    warm = differences.filter(pl.col("quantity") == "temperature").row(0, named=True)
    assert warm["difference"] == pytest.approx(11.0)


def test_a_span_limits_what_is_compared(archive):
    add(archive, "a", pulses(*PLAN), seed=1)
    add(archive, "b", pulses(*PLAN), day=1, seed=2)
    cut = T0 + timedelta(seconds=26)  # the first two motions are over by then
    _, pairs = compare_sessions(archive, "a", "b", first_span=(None, cut))
    assert pairs.height == 2


@settings(max_examples=60)
@given(
    hnp.arrays(
        float, hnp.array_shapes(min_dims=2, max_dims=2, max_side=7), elements=st.floats(0, 6)
    )
)
def test_the_alignment_is_the_cheapest_one_in_order(cost):
    """Against the plain recursion of Needleman and Wunsch (J. Mol. Biol. 48, 1970)."""
    n, m = cost.shape
    best = np.zeros((n + 1, m + 1))
    best[0], best[:, 0] = 1.5 * np.arange(m + 1), 1.5 * np.arange(n + 1)
    for i in range(n):
        for j in range(m):
            best[i + 1, j + 1] = min(
                best[i, j] + cost[i, j], best[i, j + 1] + 1.5, best[i + 1, j] + 1.5
            )
    chosen = _align(cost)
    spent = sum(d for _, _, d in chosen) + 1.5 * (n + m - 2 * len(chosen))
    assert spent == pytest.approx(best[n, m], abs=1e-9)
    assert all(a[0] < b[0] and a[1] < b[1] for a, b in pairwise(chosen))


@pytest.mark.parametrize(
    ("n", "level", "depth"),
    [(10, 0.95, 2), (15, 0.95, 4), (20, 0.95, 6), (6, 0.95, 1), (5, 0.95, 0)],
)
def test_the_interval_of_the_median_takes_the_published_order_statistics(n, level, depth):
    """Depths of the sign-test interval for a median: from memory, the table in
    nonparametric statistics texts (n 6: 1, 10: 2, 15: 4, 20: 6; none below 6)."""
    low, high = median_interval(np.arange(1.0, n + 1), level)
    assert (low, high) == ((depth, n + 1 - depth) if depth else (None, None))


def test_the_joint_table_and_the_motions_agree_on_the_current(archive):
    add(archive, "s1", pulses(*PLAN))
    motion = (
        joint_motions(archive, "s1", "J1").filter(pl.col("motion") == "moving").row(0, named=True)
    )
    inside = joint_table(archive, "s1", "J1").filter(
        pl.col("time").is_between(motion["start"], motion["end"])
    )
    assert motion["current_peak_a"] == inside["current_a"].abs().max()


def _motion_rows(travels: list[float], current: float = 1.0) -> pl.DataFrame:
    start = datetime(2031, 3, 1, 9, tzinfo=UTC)
    rows = []
    for n, travel in enumerate(travels):
        begin = start + timedelta(seconds=60 * n)
        row = dict.fromkeys(MOTIONS_SCHEMA)
        row |= {
            "session": "s", "joint": "J1", "serial": "U1", "number": n, "motion": "moving",
            "direction": 1, "start": begin, "end": begin + timedelta(seconds=10),
            "duration_s": 10.0, "speed_deg_s": 0.5, "travel_deg": travel, "angle_deg": 0.0,
            "current_a": current + 0.01 * n, "current_peak_a": 2.0, "payload_kg": 0.0,
        }  # fmt: skip
        rows.append(row)
    return pl.DataFrame(rows, schema=MOTIONS_SCHEMA)


def test_half_a_degree_is_never_paired_with_sixty():
    pairs = pair_motions(_motion_rows([0.5]), _motion_rows([63.0]))
    assert pairs.height == 0
    assert pair_motions(_motion_rows([60.0]), _motion_rows([63.0])).height == 1


def test_a_difference_is_second_less_first_whatever_the_medians():
    first, second = _motion_rows([10.0] * 6), _motion_rows([10.0] * 6, current=1.5)
    second = second.with_columns(
        current_a=pl.Series([1.0, 1.9, 1.2, 1.8, 1.1, 3.0], dtype=MOTIONS_SCHEMA["current_a"])
    )
    table = difference_table(pair_motions(first, second))
    for row in table.iter_rows(named=True):
        assert row["difference"] == pytest.approx(row["second"] - row["first"], abs=1e-12)
    current = table.row(by_predicate=pl.col("quantity") == "motor current, size", named=True)
    deltas = sorted([0.0, 0.89, 0.18, 0.77, 0.06, 1.95])
    assert current["difference"] == pytest.approx((deltas[2] + deltas[3]) / 2)


def test_similar_motions_are_motions_of_other_sessions_first_and_unflagged(tmp_path):
    archive = open_archive(tmp_path / "archive", create=True)
    plan = pulses((2.0, 3.0, 4.0), (3.0, 3.0, 4.0), (3.0, 3.0, 4.0))
    for day, name in enumerate(("a", "b", "c")):
        add(archive, name, plan, day=day, seed=day)
    index_motions(archive)
    mine = known_motions(archive, "a", "J1").filter(pl.col("motion") == "moving")
    assert mine.height == 3
    spoilt = (
        known_motions(archive, "b", "J1").filter(pl.col("motion") == "moving").row(1, named=True)
    )
    flag = {
        "flag": "F1", "session": "b", "joint": "J1", "unit": "TU-201", "kind": "friction",
        "start": spoilt["start"], "end": spoilt["end"], "score": 5.0, "severity": "look",
        "summary": "", "baseline": "b1", "group": "", "evidence": "{}",
    }  # fmt: skip
    archive.replace("flags", pl.DataFrame([flag]), session=["b"])
    # A span that begins at rest and ends within the motion: the motion is meant.
    second = mine.row(1, named=True)
    span = second["start"] - timedelta(seconds=2.6), second["start"] + timedelta(seconds=0.3)
    found = similar_motions(archive, "a", "J1", *span, k=10)
    assert found.of["motion"] == "moving"
    assert set(found.motions["motion"]) == {"moving"}
    sessions = found.motions["session"].to_list()
    assert sessions == sorted(sessions, key=lambda name: name == "a")
    assert sessions.count("b") == 2
    assert sessions.count("c") == 3
    assert found.motions.filter(
        (pl.col("session") == "b") & (pl.col("number") == spoilt["number"])
    ).is_empty()
    assert similar_motions(archive, "a", "J1", *span, still=True).of["motion"] != "moving"
