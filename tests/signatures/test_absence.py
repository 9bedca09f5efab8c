"""What a recorder normally delivers and here did not, whatever share of the session it takes."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from dashboards.queries.event.argument import of_evidence
from replay.archive import Archive, open_archive
from replay.checks import check, learn
from replay.records import Flag
from replay.signatures.track import silences
from tests.checks.sessions import JOINTS, add, bench

LONG_S = 240.0


@pytest.fixture(scope="module")
def recorder(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    archive = open_archive(tmp_path_factory.mktemp("recorder") / "a", create=True)
    learn(archive, [add(archive, f"h{k}", bench(k, minutes=4.0), day=k) for k in range(8)])
    return archive


def gaps(archive: Archive, name: str) -> list[Flag]:
    return [f for f in check(archive, name, save=False).flags if f.kind == "gap"]


def seconds(flag: Flag) -> float:
    return (flag.end - flag.start).total_seconds()


def test_a_current_that_dies_for_the_last_half_is_found(recorder: Archive) -> None:
    columns = bench(40, minutes=4.0)
    columns["P1"]["current_a"][columns["t"] >= LONG_S / 2] = np.nan
    found = gaps(recorder, add(recorder, "dies", columns, day=40))
    assert [f.joint for f in found] == ["P1"]
    assert seconds(found[0]) == pytest.approx(LONG_S / 2, abs=2.0)


@pytest.mark.parametrize("quantity", ["temperature_c", "angle_deg", "rate_cmd_deg_s"])
def test_a_channel_lost_for_two_fifths_is_found(recorder: Archive, quantity: str) -> None:
    columns = bench(41, minutes=4.0)
    values = columns["P2"][quantity] = columns["P2"][quantity].copy()
    values[(columns["t"] > 60.0) & (columns["t"] < 60.0 + 0.4 * LONG_S)] = np.nan
    found = gaps(recorder, add(recorder, f"lost {quantity}", columns, day=41))
    assert {f.joint for f in found} == {"P2"}
    assert max(seconds(f) for f in found) == pytest.approx(0.4 * LONG_S, abs=2.0)


def test_brake_words_that_were_lost_with_a_current_are_named(recorder: Archive) -> None:
    columns = bench(45, minutes=4.0)
    gone = (columns["t"] > 60.0) & (columns["t"] < 75.0)
    lost = columns["P2"] = dict(columns["P2"])
    lost["current_a"] = np.where(gone, np.nan, lost["current_a"])
    whole = gaps(recorder, add(recorder, "words there", columns, day=45))
    assert [f.evidence["channels"] for f in whole] == [["current"]]
    words = lost["brake_engaged"]
    lost["brake_engaged"] = [None if g else bool(w) for g, w in zip(gone, words, strict=True)]
    (found,) = gaps(recorder, add(recorder, "words lost", columns, day=46))
    assert found.evidence["channels"] == ["current", "brake state"]
    assert "no sample of current or brake state" in found.summary


def test_a_gap_says_that_a_brake_told_on_change_is_not_known(recorder: Archive) -> None:
    columns = bench(47, minutes=4.0)
    gone = (columns["t"] > 60.0) & (columns["t"] < 75.0)
    columns["P2"]["current_a"] = np.where(gone, np.nan, columns["P2"]["current_a"])
    words = columns["P2"]["brake_engaged"]
    columns["P2"]["brake_engaged"] = [
        bool(w) if w != before else None for w, before in zip(words, np.roll(words, 1), strict=True)
    ]
    (found,) = gaps(recorder, add(recorder, "on change too", columns, day=47))
    assert found.evidence["told_on_change"] == ["brake state"]
    assert found.evidence["channels"] == ["current"]
    seen = of_evidence(found.evidence, "gap").seen
    assert seen.endswith("s; brake state, told on change: not known meanwhile")


def test_a_word_that_is_told_on_change_or_in_rows_of_its_own_time_is_not_silent() -> None:
    t = np.arange(0.0, 60.0, 0.1)
    held = silences(t[(t < 20.0) | (t > 35.0)], 0.1)
    assert held == pytest.approx(np.array([[19.9, 35.1]]))
    assert silences(np.arange(0.0, 600.0, 30.0), 0.1).shape == (0, 2)
    assert silences(np.zeros(0), 0.1).shape == (0, 2)


def test_a_recorder_frozen_for_four_fifths_is_found(recorder: Archive) -> None:
    columns = bench(42, minutes=4.0)
    still = columns["t"] > 0.2 * LONG_S
    first = int(np.argmax(still))
    for joint in JOINTS:
        for quantity in ("angle_deg", "current_a", "rate_cmd_deg_s", "temperature_c"):
            values = columns[joint][quantity] = columns[joint][quantity].copy()
            values[still] = values[first]
    flags = check(recorder, add(recorder, "frozen", columns, day=42), save=False).flags
    assert flags
    longest = max(flags, key=seconds)
    assert longest.kind == "gap"
    assert seconds(longest) == pytest.approx(0.8 * LONG_S, abs=5.0)


def test_a_hole_of_four_seconds_in_a_motion_is_found(recorder: Archive) -> None:
    columns = bench(43, minutes=4.0)
    keep = (columns["t"] < 100.0) | (columns["t"] >= 104.0)
    holed = {"t": columns["t"][keep]}
    for joint in JOINTS:
        holed[joint] = {q: v[keep] for q, v in columns[joint].items()}
    found = gaps(recorder, add(recorder, "hole", holed, day=43))
    assert len(found) == 1
    assert seconds(found[0]) == pytest.approx(4.0, abs=0.3)


def test_uneven_stamps_of_a_smooth_motion_are_no_jump(tmp_path) -> None:
    archive = open_archive(tmp_path / "a", create=True)

    def uneven(seed: int) -> dict:
        rng = np.random.default_rng(seed)
        fine = bench(seed, minutes=4.0, hz=200.0)
        t = np.cumsum(rng.uniform(0.036, 0.063, 5000))
        t = t[t < LONG_S - 0.1]
        rows = np.round(t * 200).astype(int)
        made = {"t": fine["t"][rows]}
        for joint in JOINTS:
            made[joint] = {q: v[rows] for q, v in fine[joint].items()}
        return made

    learn(archive, [add(archive, f"u{k}", uneven(k), day=k) for k in range(6)])
    for k in range(50, 54):
        flags = check(archive, add(archive, f"u{k}", uneven(k), day=k), save=False).flags
        assert [f.summary for f in flags if f.kind in {"angle-sensor", "gap"}] == []


def test_a_command_that_is_told_when_it_changes_is_not_lost_between(recorder: Archive) -> None:
    add(recorder, "whole", bench(44, minutes=4.0), day=44)
    record = recorder.session("whole")
    rows = recorder.samples("whole").collect()
    own = [f"{j}.rate_cmd_deg_s" for j in JOINTS]
    later = timedelta(days=1)
    rows = rows.with_columns((pl.col("time") + later).dt.cast_time_unit("ns"))
    streams = {"main": rows.drop(own)}
    for name in own:
        told = rows.select("time", name).filter(pl.col(name) != pl.col(name).shift(1))
        streams[name.lower().replace(".", "_")] = told
    recorder.add_session(
        replace(
            record,
            session="on change",
            start=record.start + later,
            end=record.end + later,
            channels={s: tuple(c for c in f.columns if c != "time") for s, f in streams.items()},
        ),
        streams,
    )
    assert gaps(recorder, "on change") == []
