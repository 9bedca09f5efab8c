"""Findings read off one joint's samples: frozen angles, and motion that came late."""

import numpy as np
import polars as pl
import pytest

from replay import units
from replay.models.bins import bin_table
from replay.models.symptoms.brakes import brake_marks
from replay.models.symptoms.heaves import heaving
from replay.models.symptoms.telemetry import telemetry_marks
from replay.models.trace import Trace

HZ, LSB_DEG = 10.0, 0.005


def table(**columns):
    """Return a joint table with these columns, the others null."""
    size = len(columns["t_s"])
    return pl.DataFrame(
        {
            name: pl.Series(columns[name], dtype=kind, strict=False)
            if name in columns
            else pl.Series([None] * size, dtype=kind)
            for name, kind in units.JOINT_TABLE.items()
        }
    )


def parked(freeze=(0.0, 0.0)):
    """Ten minutes parked but for one move of 8 s at 2 deg/s, the rate logged with noise."""
    rng = np.random.default_rng(3)
    t = np.arange(6000) / HZ
    rate = np.where((t >= 300) & (t < 308), 2.0, 0.0)
    angle = np.round((np.cumsum(rate) / HZ) / LSB_DEG) * LSB_DEG
    stands = (t >= freeze[0]) & (t < freeze[1])
    if stands.any():
        angle[stands] = angle[stands][0]
    return table(
        t_s=t,
        angle_deg=angle,
        rate_deg_s=rate + rng.normal(0, 0.004, t.size),
        current_a=np.where(rate > 0, 1.0, 0.0) + rng.normal(0, 0.02, t.size),
        motion=np.where(rate > 0, "moving", "holding").tolist(),
    )


def test_a_parked_joint_is_no_frozen_angle_though_its_rate_is_noisy():
    assert [m for m in telemetry_marks(parked()) if m.name == "angle frozen"] == []


def test_an_angle_that_stands_through_a_move_is_frozen():
    found = [m for m in telemetry_marks(parked((301.0, 307.0))) if m.name == "angle frozen"]
    assert len(found) == 1
    assert found[0].value == pytest.approx(6.0, abs=0.3)
    assert found[0].detail["expected_travel_deg"] == pytest.approx(12.0, abs=0.5)


@pytest.mark.parametrize("word", ["brake_engaged", "brake_engage_cmd"])
def test_late_motion_is_timed_from_either_word_of_the_brake(word):
    t = np.arange(300) / HZ
    asked = np.where((t >= 10.5) & (t < 20.0), 2.0, 0.0)
    moved = np.where((t >= 11.7) & (t < 20.0), 2.0, 0.0)
    marks = brake_marks(
        table(
            t_s=t,
            angle_deg=np.cumsum(moved) / HZ,
            rate_deg_s=moved,
            rate_cmd_deg_s=asked,
            current_a=np.zeros(t.size),
            **{word: (t < 10.0).tolist()},
        )
    )
    late = [m for m in marks if m.name == "motion delay"]
    assert [round(m.value, 3) for m in late] == [1.2]


@pytest.mark.parametrize(("depth", "heaves"), [(0.85, True), (0.3, False)])
def test_only_a_speed_far_below_and_above_its_command_heaves(depth, heaves):
    t = np.arange(600) / HZ
    asked = np.where((t >= 10) & (t < 50), 2.0, 0.0)
    rate = asked * (1.0 + depth * np.sin(2 * np.pi * t / 1.5))
    moving = np.where(asked > 0, "moving", "holding").tolist()
    bins = bin_table(
        table(
            t_s=t,
            angle_deg=np.cumsum(rate) / HZ,
            rate_deg_s=rate,
            rate_cmd_deg_s=asked,
            current_a=np.ones(t.size),
            motion=moving,
            direction=np.where(asked > 0, 1, 0),
        )
    )
    unknown = np.full(len(bins), np.nan)
    trace = Trace(bins, unknown, unknown, np.ones(len(bins), dtype=bool), bins.seconds)
    (statistic,) = heaving(trace)
    # two changes in each 1.5 s are eight in 6 s
    assert statistic.value.max() == pytest.approx(8.0 if heaves else 0.0, abs=2.5)


def test_a_peak_of_friction_as_a_joint_turns_is_no_spike_and_one_in_mid_motion_is():
    rng = np.random.default_rng(6)
    t = np.arange(4000) / 100.0
    rate = 6.0 * np.sin(2 * np.pi * t / 8.0 + 0.3)
    current = 0.8 * np.sign(rate) + 0.05 * rate + rng.normal(0, 0.01, t.size)
    turns = np.flatnonzero(np.diff(np.sign(rate)) != 0) + 1
    current[turns] += 1.2 * np.sign(rate[turns + 1])
    alone = int(np.argmin(np.abs(t - 10.0)))
    current[alone] += 1.2
    table = pl.DataFrame(
        {
            "t_s": t,
            "current_a": current,
            "rate_deg_s": rate,
            "angle_deg": np.cumsum(rate) / 100.0,
            "motion": ["moving"] * t.size,
            "direction": np.sign(np.where(rate == 0, 1.0, rate)).astype(np.int8),
        }
    )
    found = [m.start_s for m in telemetry_marks(table) if m.name == "spike"]
    assert found == [t[alone]]


def test_a_slow_slip_lasts_from_its_first_tenth_to_its_last():
    t = np.arange(0, 60, 0.05)
    rng = np.random.default_rng(2)
    angle = 40.0 + 0.1 * np.clip(t - 30.0, 0.0, 8.0) + rng.normal(0, 0.002, t.size)
    table = pl.DataFrame(
        {
            "t_s": t,
            "angle_deg": angle,
            "rate_deg_s": np.zeros(t.size),
            "brake_engaged": t > 5.0,
            "motion": np.where(t > 5.0, "held", "holding"),
            "direction": np.zeros(t.size, dtype=np.int8),
        }
    )
    slip = max((m for m in brake_marks(table) if m.name == "slip"), key=lambda m: m.value)
    assert slip.value == pytest.approx(0.8, abs=0.02)
    assert slip.start_s == pytest.approx(30.8, abs=0.3)
    assert slip.end_s == pytest.approx(37.2, abs=0.3)


@pytest.mark.parametrize(("asked_deg_s", "found"), [(0.006, 0), (1.0, 1)])
def test_a_command_too_small_to_obey_is_never_late(asked_deg_s, found):
    t = np.arange(0, 60, 0.05)
    wanted = np.where((t > 40) & (t < 50), 1.5, 0.0)
    wanted[(t >= 11) & (t < 35)] = asked_deg_s
    rate = np.where((t > 14) & (t < 35), wanted, 0.0) + np.where(t > 40, wanted, 0.0)
    table = pl.DataFrame(
        {
            "t_s": t,
            "rate_deg_s": rate,
            "rate_cmd_deg_s": wanted,
            "brake_engaged": (t < 10) | (t > 55),
            "brake_engage_cmd": (t < 10) | (t > 55),
            "motion": np.where(rate != 0, "moving", "holding"),
            "direction": np.sign(rate).astype(np.int8),
        }
    )
    late = [m for m in brake_marks(table) if m.name == "motion delay" and m.value > 2.0]
    assert len(late) == found
