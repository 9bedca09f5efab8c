"""The joint table: exactly its columns, from whatever a log had."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from replay.arm import load_arm, loads
from replay.errors import ArchiveError, UsageError
from replay.signals import joint_table, joint_tables
from replay.signals.carry import held, interpolated
from replay.signals.channels import Channels
from replay.signals.joints import prepare
from replay.signals.load_error import load_errors_nm
from replay.signals.motion import segments
from replay.signals.postures import tip_table
from replay.statistics.noise import noise_of
from replay.units import JOINT_TABLE
from tests.arm.makers import symmetric_text
from tests.signals.makers import START, archive_of, trapezoid

CORNERS = [(0, 0), (3, 0), (5, 2), (15, 2), (17, 0), (20, 0), (22, -2), (32, -2), (34, 0), (41, 0)]


def session(folder, hz=50.0, *, keep=("angle_deg", "rate_deg_s", "current_a"), joints=1, **more):
    t = np.arange(0, 40, 1 / hz)
    rng = np.random.default_rng(0)
    channels = {}
    for k in range(1, joints + 1):
        q, w = trapezoid(t, CORNERS)
        made = {
            "angle_deg": 10.0 * k + q + 5e-4 * rng.normal(size=len(t)),
            "rate_deg_s": w + 2e-3 * rng.normal(size=len(t)),
            "current_a": np.sign(w) + 0.02 * rng.normal(size=len(t)),
            "temperature_c": 20 + 0.01 * t,
            "brake_engaged": (t < 2) | (t >= 36),
        }
        channels |= {f"J{k}.{name}": made[name] for name in keep}
    return archive_of(folder, {"main": channels}, {"main": t}, **more)


@pytest.mark.parametrize(
    "keep",
    [
        ("angle_deg", "current_a"),
        ("rate_deg_s", "current_a"),
        ("angle_deg", "rate_deg_s", "current_a", "temperature_c", "brake_engaged"),
        ("angle_deg", "current_a", "brake_engaged"),
        ("current_a",),
    ],
)
@pytest.mark.parametrize("hz", [1.0, 50.0])
def test_columns_are_the_contract_whatever_was_logged(tmp_path, keep, hz):
    table = joint_table(session(tmp_path, hz, keep=keep), "s", "J1")
    assert dict(table.schema) == JOINT_TABLE
    assert table.height == int(40 * hz)
    for name in ("angle_deg", "temperature_c", "brake_engaged"):
        assert (table[name].null_count() == table.height) == (name not in keep)
    logged, derived = "rate_deg_s" in keep, "angle_deg" in keep
    assert (table["rate_deg_s"].null_count() == 0) == (logged or derived)
    assert (table["rate_se_deg_s"].null_count() == table.height) == (logged or not derived)
    assert table["load_nm"].null_count() == table.height
    assert set(table["motion"].unique()) <= {"held", "holding", "moving"}
    assert not any(table[c].is_nan().any() for c in table.columns if table[c].dtype.is_float())


@pytest.mark.parametrize("keep", [("rate_deg_s", "current_a"), ("angle_deg", "current_a")])
def test_rates_accelerations_and_stages_are_those_of_the_motion(tmp_path, keep):
    table = joint_table(session(tmp_path, keep=keep), "s", "J1")
    t = table["t_s"].to_numpy()
    _, w = trapezoid(t, CORNERS)
    calm = np.min(np.abs(t[:, None] - np.array([c[0] for c in CORNERS])), axis=1) > 0.6
    assert np.abs(table["rate_deg_s"].to_numpy() - w)[calm].max() < 0.1
    accel = np.select([(t > 3) & (t < 5), (t > 15) & (t < 17)], [1.0, -1.0], 0.0)
    chosen = calm & (t < 19)
    assert np.abs(table["accel_deg_s2"].to_numpy() - accel)[chosen].max() < 0.15
    stage = table["stage"].to_numpy()
    assert set(stage[chosen & (t > 3) & (t < 5)]) == {"speeding"}
    assert set(stage[chosen & (t > 5) & (t < 15)]) == {"steady"}
    assert set(stage[chosen & (t > 15) & (t < 17)]) == {"slowing"}
    assert set(table.filter(pl.Series(calm & (t > 22) & (t < 32)))["direction"]) == {-1}


def test_logged_and_derived_rates_agree(tmp_path):
    both = joint_table(session(tmp_path / "a"), "s", "J1")
    derived = joint_table(session(tmp_path / "b", keep=("angle_deg", "current_a")), "s", "J1")
    off = (both["rate_deg_s"] - derived["rate_deg_s"]).to_numpy()
    steady = (
        ((both["stage"] == "steady") & (derived["stage"] == "steady")).fill_null(False).to_numpy()
    )
    error = np.hypot(2e-3, derived["rate_se_deg_s"].to_numpy())
    assert np.std((off / error)[steady]) == pytest.approx(1.0, abs=0.15)


def test_held_is_exact_at_the_brakes_words(tmp_path):
    keep = ("angle_deg", "current_a", "brake_engaged")
    table = joint_table(session(tmp_path, keep=keep), "s", "J1")
    assert (table["motion"] == "held").to_list() == table["brake_engaged"].to_list()
    t = table["t_s"]
    first = table.filter(t < 2)["segment"].unique().to_list()
    assert first == [0]
    assert table.filter(t >= 2)["segment"][0] == 1


def test_segments_count_up_and_never_mix(tmp_path):
    keep = ("angle_deg", "current_a", "brake_engaged")
    table = joint_table(session(tmp_path, keep=keep), "s", "J1")
    numbers = table["segment"].to_numpy()
    assert numbers[0] == 0
    assert set(np.diff(numbers)) <= {0, 1}
    mixed = table.group_by("segment").agg(
        pl.col("motion", "stage", "direction").n_unique(), pl.len()
    )
    assert mixed.select(pl.col("motion", "stage").max()).row(0) == (1, 1)
    assert table["segment"].max() < 25  # eleven true ones; noise makes no crowd of them


def test_noise_around_the_still_band_makes_no_motion(tmp_path):
    rng = np.random.default_rng(3)
    t = np.arange(0, 60, 0.02)
    archive = archive_of(
        tmp_path,
        {"main": {"J1.current_a": 0 * t, "J1.rate_deg_s": 0.02 * rng.normal(size=len(t))}},
        {"main": t},
    )
    assert (joint_table(archive, "s", "J1")["motion"] == "moving").mean() == 0.0


def test_an_excerpt_is_the_same_rows_as_the_whole(tmp_path):
    archive = session(tmp_path, keep=("angle_deg", "current_a"))
    whole = joint_table(archive, "s", "J1")
    start, end = START + timedelta(seconds=8), START + timedelta(seconds=12)
    part = joint_table(archive, "s", "J1", start=start, end=end)
    same = whole.filter((pl.col("time") >= start) & (pl.col("time") < end))
    assert part["time"].equals(same["time"])
    assert part["t_s"].equals(same["t_s"])
    np.testing.assert_allclose(part["angle_deg"], same["angle_deg"])
    assert np.abs((part["rate_deg_s"] - same["rate_deg_s"]).to_numpy()).max() < 0.02
    assert part["segment"].min() == 0


def test_other_streams_are_carried_only_as_far_as_their_own_steps_allow(tmp_path):
    t = np.arange(0, 30, 0.1)
    slow = np.concatenate([np.arange(0, 10, 1.0), np.arange(20, 30, 1.0)])
    archive = archive_of(
        tmp_path,
        {
            "main": {"J1.current_a": 0 * t, "J1.angle_deg": t},
            "slow": {
                "J1.temperature_c": 20 + slow,
                "J1.current_target_a": slow,
                "payload_kg": 100 + slow,
            },
        },
        {"main": t, "slow": slow},
    )
    table = joint_table(archive, "s", "J1")
    warm, mass = table["temperature_c"].to_numpy(), table["payload_kg"].to_numpy()
    channels = Channels(archive, archive.session("s"), ("J1",))
    target = channels.at("J1.current_target_a", table["time"].cast(pl.Int64).to_numpy())
    assert target[t < 9] == pytest.approx(t[t < 9])
    assert np.isnan(target[(t > 9.05) & (t < 19.95)]).all()  # a gap of 11 steps is not bridged
    assert warm[t < 28.95] == pytest.approx(20 + t[t < 28.95])  # but no joint cools in 11 s
    assert mass[(t > 5.05) & (t < 5.95)] == pytest.approx(105.0)
    assert np.isnan(mass[(t > 11.55) & (t < 19.95)]).all()  # held for two and a half steps
    assert mass[(t > 9.05) & (t < 11.45)] == pytest.approx(109.0)


def test_unknown_joints_and_joints_without_current_are_named(tmp_path):
    t = np.arange(0, 5, 0.1)
    archive = archive_of(
        tmp_path, {"main": {"J1.current_a": 0 * t, "J2.angle_deg": t}}, {"main": t}
    )
    with pytest.raises(UsageError, match="J1, J2"):
        joint_table(archive, "s", "J9")
    with pytest.raises(ArchiveError, match="no motor current"):
        joint_table(archive, "s", "J2")
    assert list(joint_tables(archive, "s")) == ["J1"]


@pytest.mark.parametrize("base", ["A", "B", None])
def test_loads_are_those_of_the_arm_from_the_base_it_stands_on(tmp_path, base):
    text = symmetric_text()
    archive = session(
        tmp_path,
        keep=("angle_deg", "rate_deg_s", "current_a"),
        joints=7,
        arm_toml=text,
        base_end=base,
        payload_kg=500.0,
    )
    tables = joint_tables(archive, "s")
    stack = {
        c: np.stack([tables[f"J{k}"][c].to_numpy() for k in range(1, 8)], axis=1)
        for c in ("angle_deg", "rate_deg_s", "accel_deg_s2", "load_nm")
    }
    expected = loads(
        load_arm(text),
        stack["angle_deg"],
        stack["rate_deg_s"],
        stack["accel_deg_s2"],
        base=base or "A",
        payload_kg=500.0,
    ).torque_nm
    np.testing.assert_allclose(stack["load_nm"], expected, rtol=1e-9, atol=1e-9)
    assert np.abs(expected).max() > 1
    one = joint_table(archive, "s", "J4")
    assert one["load_nm"].equals(tables["J4"]["load_nm"])


@pytest.mark.parametrize("keep", [("angle_deg",), ("angle_deg", "rate_deg_s")])
def test_a_load_at_rest_is_noise_of_the_size_that_its_error_says(tmp_path, keep):
    archive = session(
        tmp_path, keep=(*keep, "current_a"), joints=7, arm_toml=symmetric_text(), payload_kg=500.0
    )
    ready = prepare(archive, "s")
    tables = joint_tables(archive, "s")
    still = ((tables["J1"]["t_s"] > 0.5) & (tables["J1"]["t_s"] < 2.5)).to_numpy()
    still |= (tables["J1"]["t_s"] > 17.5).to_numpy() & (tables["J1"]["t_s"] < 19.5).to_numpy()
    errors = load_errors_nm(ready.postures, tables["J1"]["time"].dt.epoch("ns").to_numpy())
    assert list(errors) == [f"J{k}" for k in range(1, 8)]
    share = [
        float((np.abs(tables[j]["load_nm"].to_numpy()[still]) < 2 * se[still]).mean())
        for j, se in errors.items()
    ]
    assert np.mean(share) > 0.8, share  # most of what rests is within two standard errors
    size = [
        float(np.std(tables[j]["load_nm"].to_numpy()[still]) / se[still].mean())
        for j, se in errors.items()
    ]
    assert 0.5 < np.median(size) < 2.0, size  # and they are no wider than the noise is
    moving = (tables["J1"]["t_s"] - 4.0).abs() < 0.5  # all joints speed up
    outside = np.abs(tables["J1"]["load_nm"].to_numpy()) > 2 * errors["J1"]
    assert outside[moving.to_numpy()].mean() > 0.9


def test_tip_speed_is_judged_by_load_case(tmp_path):
    t = np.arange(0, 40, 0.02)
    channels = {}
    for k in range(1, 8):
        rate = 2.0 if k == 2 else 0.0
        channels |= {
            f"J{k}.angle_deg": rate * t,
            f"J{k}.rate_deg_s": rate + 0 * t,
            f"J{k}.current_a": 0 * t,
        }
    channels["payload_kg"] = np.where(t < 10, 0.0, 100.0)
    channels["person_on_tip"] = t >= 20
    archive = archive_of(
        tmp_path, {"main": channels}, {"main": t}, arm_toml=symmetric_text(), base_end="A"
    )
    table = tip_table(archive, "s")
    speed = 16.0 * np.radians(2.0)  # the second joint sits one metre up
    np.testing.assert_allclose(table["tip_speed_m_s"], speed, rtol=1e-6)
    cases = table.group_by("load_case", maintain_order=True).agg(pl.col("limit_m_s").first())
    assert cases.rows() == [("bare", 0.6), ("payload", 0.1), ("person", 0.15)]
    over = table.group_by("load_case", maintain_order=True).agg(pl.col("over_limit").all())
    assert over["over_limit"].to_list() == [False, True, True]
    with pytest.raises(ArchiveError, match="geometry"):
        tip_table(session(tmp_path / "bare"), "s")


@settings(max_examples=60)
@given(st.integers(0, 2**32 - 1))
def test_carried_values_never_leave_what_was_seen(seed):
    rng = np.random.default_rng(seed)
    source = np.unique(rng.integers(0, 1000, 30))
    at = np.unique(rng.integers(-50, 1100, 60))
    values = rng.normal(size=len(source))
    out = interpolated(at, source, values)
    known = np.isfinite(out)
    assert (out[known] <= values.max() + 1e-12).all()
    assert (out[known] >= values.min() - 1e-12).all()
    assert not known[(at < source[0]) | (at > source[-1])].any()
    hits = np.isin(at, source)
    np.testing.assert_allclose(out[hits], values[np.isin(source, at)])
    codes = rng.integers(-1, 3, len(source)).astype(np.int8)
    word = held(at, source, codes)
    assert set(word) <= {-1, *codes}
    assert (word[at < source[0]] == -1).all()


def test_a_channel_of_changes_holds_until_the_next_however_long():
    at = np.arange(0, 1000, 10)
    word = held(at, np.array([5, 17, 600]), np.array([1, 0, 1], dtype=np.int8))
    assert word[:3].tolist() == [-1, 1, 0]
    assert set(word[(at > 17) & (at < 600)]) == {0}
    assert set(word[at >= 600]) == {1}


def test_what_the_recorder_left_out_stays_out():
    at = np.arange(10)
    said = np.array([1, 1, -1, 0, 0, 0, -1, -1, 1, 1], dtype=np.int8)
    assert held(at, at, said).tolist() == said.tolist()


def test_a_rate_at_the_edge_of_the_still_band_is_one_motion():
    n = 400
    still = segments.still_band(np.full(n, 1.0), 0.05)  # 6 standard deviations: 0.3 deg/s
    assert still == pytest.approx(0.3)
    rate = np.concatenate([np.zeros(100), np.tile([1.2, 0.7], 100) * still, np.zeros(100)])
    rate[0] = 1.0 / 0.98  # keeps the top rate's share out of play
    starts = np.zeros(n, dtype=bool)
    starts[0] = True
    found = segments.cut(
        rate,
        0 * rate,
        np.full(n, -1, dtype=np.int8),
        starts,
        rate_noise_deg_s=0.05,
        accel_noise_deg_s2=1.0,
    )
    moving = found.motion == 2
    assert moving[100:300].all()  # below the band in every second row, never below half of it
    assert not moving[301:].any()
    starts[200] = True  # a gap: what was moving before it says nothing of after it
    again = segments.cut(
        np.where(np.arange(n) == 200, 0.7 * still, rate),
        0 * rate,
        np.full(n, -1, dtype=np.int8),
        starts,
        rate_noise_deg_s=0.05,
        accel_noise_deg_s2=1.0,
    )
    assert again.motion[200] == 1


def test_motion_at_one_sample_a_second_is_told_from_rest():
    rng = np.random.default_rng(0)
    rate = np.where(
        rng.random(4000) < 0.5, 0.02 * rng.normal(size=4000), rng.uniform(-60, 60, 4000)
    )
    starts = np.zeros(4000, dtype=bool)
    starts[0] = True
    still = segments.still_band(rate, noise_of(rate, starts))
    assert 0.06 < still < 1.5  # third differences alone would say 60 deg/s and more


def test_two_samples_between_a_command_and_the_brakes_report_tell_no_acceleration(tmp_path):
    """Any line goes through two samples: a page drew a spike of 3.4 A from their noise."""
    t = np.arange(0, 40, 0.05)
    rng = np.random.default_rng(1)
    two = (t >= 20.0) & (t < 20.1)
    archive = archive_of(
        tmp_path / "two",
        {
            "main": {
                "J1.rate_deg_s": 0.01 * rng.normal(size=len(t)) + 0.1 * two * (t > 20.04),
                "J1.current_a": np.zeros(len(t)),
                "J1.brake_engaged": t >= 20.1,
                "J1.brake_engage_cmd": t >= 20.0,
            }
        },
        {"main": t},
    )
    accel = joint_table(archive, "s", "J1")["accel_deg_s2"]
    usual = float(accel.abs().median())
    assert accel.abs().max() < 12 * usual  # 2 deg/s^2 through the two
    assert accel.null_count() == 0  # what is between is between its neighbours
