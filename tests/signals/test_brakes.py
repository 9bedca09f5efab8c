"""Brake events and slips on motions whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from replay.signals import joint_tables
from replay.signals.brakes.brake_events import brake_events
from replay.signals.brakes.chatter import chatter, cycle_count
from replay.signals.brakes.intervals import never, span
from replay.signals.brakes.neighbour_slips import neighbour_slips
from replay.signals.brakes.slips import held_stretches, stretches
from replay.signals.channels import Channels
from replay.signatures.brake_slip import slips
from replay.signatures.track import tracks
from tests.signals.makers import archive_of, trapezoid

RELEASE_CMD, ENGAGE_CMD = 5.0, 20.0
RATE, BEGINS, DELAY, DECEL = 4.0, 6.0, 0.05, 8.0


def braked(
    folder, hz, *, noise=0.0, rate=False, angle=True, late=0.0, seed=0, command=True, **more
):
    """Released at 5 s, moving from ``6 s + late``, stopped by the brake from 20 s on."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, 40, 1 / hz) + 0.3 / hz  # no event falls on a sample
    slow = RATE / DECEL
    corners = [
        (0, 0),
        (BEGINS + late, 0),
        (BEGINS + late + 2, RATE),
        (ENGAGE_CMD + DELAY, RATE),
        (ENGAGE_CMD + DELAY + slow, 0),
        (41, 0),
    ]
    q, w = trapezoid(t, corners)
    moves = w != 0
    channels = {
        "J1.current_a": np.where(moves, 1.0, 0.0) + 0.02 * rng.normal(size=len(t)),
        "J1.brake_engaged": (t < RELEASE_CMD + 0.1) | (t >= ENGAGE_CMD + 0.08),
    }
    channels["J1.brake_engage_cmd"] = (t < RELEASE_CMD) | (t >= ENGAGE_CMD)
    channels["J1.rate_cmd_deg_s"] = np.where((t >= BEGINS) & (t < ENGAGE_CMD), RATE, 0.0)
    if angle:
        channels["J1.angle_deg"] = q + noise * rng.normal(size=len(t))
    if rate:
        channels["J1.rate_deg_s"] = w + noise * rng.normal(size=len(t))
    return archive_of(folder, {"main": channels}, {"main": t})


@pytest.mark.parametrize(
    ("hz", "noise", "rate"), [(1000, 0.0, True), (100, 1e-3, True), (100, 1e-3, False)]
)
def test_stopping_angle_and_time_of_a_brake_on_a_moving_joint(tmp_path, hz, noise, rate):
    # 4 deg/s, delay 0.05 s, then 8 deg/s2: 0.2 + 1.0 = 1.2 deg in 0.55 s (motion law)
    table = joint_tables(braked(tmp_path, hz, noise=noise, rate=rate), "s")["J1"]
    stop = brake_events(table).filter(event="engage").to_dicts()[0]
    assert stop["on_the_move"]
    assert stop["signal"] == "command"
    assert stop["stop_angle_deg"] == pytest.approx(1.2, abs=3 * stop["stop_angle_se_deg"] + 1e-3)
    assert stop["stop_angle_se_deg"] < 1.2 * RATE / hz
    assert stop["stop_low_s"] <= 0.55 <= stop["stop_high_s"]
    assert stop["stop_status"] == "measured"
    assert stop["delay_low_s"] <= DELAY <= stop["delay_high_s"]
    assert stop["answer_low_s"] <= 0.08 <= stop["answer_high_s"]


def test_without_angles_the_travel_is_the_integral_of_the_rate(tmp_path):
    table = joint_tables(braked(tmp_path, 200, rate=True, angle=False), "s")["J1"]
    stop = brake_events(table).filter(event="engage").to_dicts()[0]
    assert stop["stop_angle_deg"] == pytest.approx(1.2, abs=0.02)


@pytest.mark.parametrize("hz", [1.0, 2.0])
def test_slow_sampling_gives_no_delay_as_a_number(tmp_path, hz):
    table = joint_tables(braked(tmp_path, hz), "s")["J1"]
    events = brake_events(table)
    stop = events.filter(event="engage").to_dicts()[0]
    assert stop["delay_s"] is None
    assert stop["answer_status"] in (None, "not measurable")
    assert stop["delay_status"] in ("not measurable", "interval")
    assert stop["delay_low_s"] <= DELAY <= stop["delay_high_s"]


@pytest.mark.parametrize("late", [0.0, 0.8])
def test_release_delay_counts_from_when_motion_was_asked_for(tmp_path, late):
    table = joint_tables(braked(tmp_path, 100, noise=5e-4, late=late), "s")["J1"]
    release = brake_events(table).filter(event="release").to_dicts()[0]
    # the joint starts from rest with 2 deg/s2: it leaves the still band a little after it starts
    assert release["delay_by"] in ("motion", "current")
    assert release["delay_high_s"] >= late
    assert release["delay_high_s"] < late + 0.15


def test_a_joint_that_never_moves_after_its_release_is_never_not_zero(tmp_path):
    t = np.arange(0, 12, 0.01)
    archive = archive_of(
        tmp_path,
        {
            "main": {
                "J1.current_a": 0.02 * np.random.default_rng(0).normal(size=len(t)),
                "J1.angle_deg": 0 * t,
                "J1.rate_cmd_deg_s": np.where(t > 5, 1.0, 0.0),
                "J1.brake_engaged": t < 5,
            }
        },
        {"main": t},
    )
    release = brake_events(joint_tables(archive, "s")["J1"]).to_dicts()[0]
    assert release["delay_status"] == "never"
    assert release["delay_s"] is None
    assert release["delay_high_s"] is None
    assert release["delay_low_s"] == pytest.approx(3.0, abs=0.05)


def test_without_a_commanded_rate_a_delay_is_at_most_so_long(tmp_path):
    t = np.arange(0, 12, 0.01)
    _, w = trapezoid(t, [(0, 0), (6, 0), (8, 2), (13, 2)])
    archive = archive_of(
        tmp_path,
        {"main": {"J1.current_a": 0 * t, "J1.rate_deg_s": w, "J1.brake_engaged": t < 5}},
        {"main": t},
    )
    release = brake_events(joint_tables(archive, "s")["J1"]).to_dicts()[0]
    assert release["delay_status"] == "at most"
    assert release["delay_s"] is None
    assert release["delay_low_s"] == 0.0
    assert release["delay_high_s"] == pytest.approx(1.0, abs=0.05)


def test_a_release_that_asks_for_no_motion_has_no_delay(tmp_path):
    t = np.arange(0, 12, 0.01)
    archive = archive_of(
        tmp_path,
        {"main": {"J1.current_a": 0 * t, "J1.angle_deg": 0 * t, "J1.brake_engaged": t < 5}},
        {"main": t},
    )
    assert brake_events(joint_tables(archive, "s")["J1"])["delay_status"].to_list() == [
        "not asked for"
    ]


def test_a_log_without_brakes_has_no_events(tmp_path):
    t = np.arange(0, 5, 0.1)
    archive = archive_of(
        tmp_path, {"main": {"J1.current_a": 0 * t, "J1.angle_deg": t}}, {"main": t}
    )
    table = joint_tables(archive, "s")["J1"]
    assert brake_events(table).height == 0
    assert held_stretches(table).height == 0
    assert cycle_count(table) == 0


def test_chatter_is_a_word_that_comes_back_uncommanded(tmp_path):
    t = np.arange(0, 20, 0.05)
    word = (t < 5) | ((t > 8) & (t < 8.2)) | ((t > 9) & (t < 9.15)) | (t > 15)
    archive = archive_of(
        tmp_path,
        {
            "main": {
                "J1.current_a": 0 * t,
                "J1.angle_deg": 0 * t,
                "J1.brake_engaged": word,
                "J1.brake_engage_cmd": (t < 5) | (t > 15),
            }
        },
        {"main": t},
    )
    table = joint_tables(archive, "s")["J1"]
    assert cycle_count(table) == 3
    assert chatter(table)["count"].sum() == 3  # on, on again, and the short release between


def held(folder, *, slip=0.0, noise=0.001, resolution=0.0, flex=0.0, seed=0):
    rng = np.random.default_rng(seed)
    t = np.arange(0, 60, 0.02)
    q = 12.0 + np.where(t > 30, slip, 0.0) + flex * np.sin(2 * np.pi * t / 7)
    q += noise * rng.normal(size=len(t))
    if resolution:
        q = np.round(q / resolution) * resolution
    return archive_of(
        folder,
        {
            "main": {
                "J1.current_a": 0 * t,
                "J1.angle_deg": q,
                "J1.brake_engaged": (t > 2) & (t < 58),
            }
        },
        {"main": t},
    )


@pytest.mark.parametrize("slip", [0.05, -0.2, 1.5])
def test_a_slip_is_found_and_sized(tmp_path, slip):
    table = joint_tables(held(tmp_path, slip=slip), "s")["J1"]
    found = held_stretches(table).to_dicts()[0]
    assert found["status"] == "slip"
    assert found["slip_deg"] == pytest.approx(slip, abs=0.003)
    assert (found["slip_at"] - table["time"][0]).total_seconds() == pytest.approx(30, abs=0.1)


@pytest.mark.parametrize("out_s", [0.5, 5.0, 20.0])
def test_a_brake_that_gives_way_and_holds_again_is_no_held_stretch(tmp_path, out_s):
    """The same figures serve whoever judges: 0.6 deg of excursion, nothing that stays."""
    rng = np.random.default_rng(1)
    t = np.arange(0, 60, 0.02)
    channels = {
        "J1.current_a": 0 * t,
        "J1.angle_deg": np.where((t > 25) & (t < 25 + out_s), 0.6, 0.0)
        + 0.002 * rng.normal(size=len(t)),
        "J1.brake_engaged": (t > 2) & (t < 58),
    }
    table = joint_tables(archive_of(tmp_path, {"main": channels}, {"main": t}), "s")["J1"]
    found = held_stretches(table).to_dicts()[0]
    assert found["status"] == "returned"
    assert found["excursion_deg"] == pytest.approx(0.6, abs=0.01)
    assert abs(found["slip_deg"]) < 0.01
    assert found["excursion_se_deg"] < 0.02
    at = (found["excursion_at"] - table["time"][0]).total_seconds()
    assert 25 <= at <= 25 + out_s


def test_a_brake_cycled_by_command_does_not_chatter(tmp_path):
    t = np.arange(0, 20, 0.05)
    word = (t % 1.0) < 0.5
    spoken = {"J1.current_a": 0 * t, "J1.angle_deg": 0 * t, "J1.brake_engaged": word}
    told = spoken | {"J1.brake_engage_cmd": word}
    for k, (channels, count, commanded) in enumerate(((told, 0, []), (spoken, 38, [None]))):
        archive = archive_of(tmp_path / str(k), {"main": channels}, {"main": t})
        found = chatter(joint_tables(archive, "s")["J1"])
        assert found["count"].sum() == count
        assert found["commanded"].to_list() == commanded


def test_a_creep_over_the_whole_stretch_is_sized_whole(tmp_path):
    rng = np.random.default_rng(4)
    t = np.arange(0, 30, 0.05)
    creep = np.interp(t, [3, 27], [0, -0.8])
    channels = {
        "J1.current_a": 0 * t,
        "J1.angle_deg": 12 + creep + 0.002 * rng.normal(size=len(t)),
        "J1.brake_engaged": (t > 2) & (t < 28),
    }
    table = joint_tables(archive_of(tmp_path, {"main": channels}, {"main": t}), "s")["J1"]
    found = held_stretches(table).to_dicts()[0]
    assert found["status"] == "slip"
    assert found["slip_deg"] == pytest.approx(-0.8, abs=0.02)


@pytest.mark.parametrize(
    "quiet",
    [{}, {"noise": 0.05}, {"resolution": 0.05, "noise": 0.02}, {"flex": 0.02}],
)
@pytest.mark.parametrize("seed", range(5))
def test_noise_counting_and_flexing_are_no_slip(tmp_path, quiet, seed):
    table = joint_tables(held(tmp_path, seed=seed, **quiet), "s")["J1"]
    assert held_stretches(table)["status"].to_list() == ["held"]


def test_one_slip_has_one_size(tmp_path):
    """It begins while the brake settles: flag, report and wear told 0.800, 0.797 and 0.795."""
    rng = np.random.default_rng(8)
    t = np.arange(0, 30, 0.05)
    turned = np.interp(t, [2.4, 9.0], [0.0, -0.8])
    columns = {
        "J1.current_a": 0 * t,
        "J1.angle_deg": 12 + turned + 0.002 * rng.normal(size=len(t)),
        "J1.brake_engaged": (t > 2) & (t < 28),
    }
    archive = archive_of(tmp_path, {"main": columns}, {"main": t})
    (track,) = tracks(Channels(archive, archive.session("s"), ["J1"]), ("J1",), {"J1": "TU-J1"})
    (mark,) = slips(track).marks
    (found,) = held_stretches(joint_tables(archive, "s")["J1"]).to_dicts()
    assert found["status"] == "slip"
    assert abs(found["moved_deg"]) == mark.detail["moved_deg"] == pytest.approx(0.8, abs=0.003)
    assert mark.detail["stayed_deg"] == found["slip_deg"] == found["moved_deg"]
    assert found["excursion_deg"] >= mark.detail["moved_deg"]


def under_gravity(folder, *, slip=0.0, bends=0.0, hangs_deg=40.0):
    """A held joint whose load is that of a link at its own angle, and that of a neighbour's sway.

    ``bends`` is its true compliance, deg/Nm; ``hangs_deg`` how far it is from hanging down.
    """
    rng = np.random.default_rng(3)
    t = np.arange(0, 60, 0.02)
    sway_nm = 20.0 * np.sin(2 * np.pi * t / 15)
    angle = np.interp(t, [20, 30], [0, slip]) + bends * sway_nm + 0.002 * rng.normal(size=len(t))
    columns = {
        "J1.current_a": 0 * t,
        "J1.angle_deg": hangs_deg + angle,
        "J1.brake_engaged": (t > 2) & (t < 58),
    }
    table = joint_tables(archive_of(folder, {"main": columns}, {"main": t}), "s")["J1"]
    own_nm = 150.0 * np.sin(np.radians(table["angle_deg"].to_numpy()))
    return table.with_columns(load_nm=own_nm + (sway_nm if bends else 0.0))


@pytest.mark.parametrize("hangs_deg", [10.0, 40.0, 85.0])
@pytest.mark.parametrize("slip", [-0.3, -2.0])
def test_a_slip_under_gravity_is_no_flexing(tmp_path, slip, hangs_deg):
    (found,) = held_stretches(under_gravity(tmp_path, slip=slip, hangs_deg=hangs_deg)).to_dicts()
    assert found["status"] == "slip"
    assert found["slip_deg"] == pytest.approx(slip, abs=0.01)
    assert found["flex_deg_per_nm"] is None


def test_flexing_under_gravity_is_still_taken_off(tmp_path):
    (found,) = held_stretches(under_gravity(tmp_path, bends=0.005)).to_dicts()
    assert found["status"] == "held"
    assert found["flex_deg_per_nm"] == pytest.approx(0.005, rel=0.1)
    assert abs(found["slip_deg"]) < 0.005


def test_a_hundred_quiet_stretches_hold_no_slip(tmp_path):
    rng = np.random.default_rng(2)
    t = np.arange(0, 1000, 0.05)
    channels = {
        "J1.current_a": 0 * t,
        "J1.angle_deg": 3.0 + 0.002 * rng.normal(size=len(t)),
        "J1.brake_engaged": (t % 10 > 0.5) & (t % 10 < 9),
    }
    table = joint_tables(archive_of(tmp_path, {"main": channels}, {"main": t}), "s")["J1"]
    found = held_stretches(table)
    assert found.height == 100
    assert (found["status"] == "held").all()
    z = found["slip_deg"] / found["slip_se_deg"]
    assert 0.3 < z.std() < 1.2  # the error is neither blown up nor too small


def test_a_neighbour_that_slips_at_a_stop_is_found(tmp_path):
    rng = np.random.default_rng(0)
    t = np.arange(0, 40, 0.01)
    q, w = trapezoid(t, [(0, 0), (5, 0), (7, 2), (20, 2), (20.4, 0), (41, 0)])
    noise = 0.001 * rng.normal(size=(3, len(t)))
    channels = {
        "J1.current_a": 0 * t,
        "J1.angle_deg": q + noise[0],
        "J1.rate_deg_s": w,
        "J1.brake_engaged": (t < 4) | (t >= 20),
    }
    for k, slip in ((2, 0.08), (3, 0.0)):
        channels |= {
            f"J{k}.current_a": 0 * t,
            f"J{k}.angle_deg": noise[k - 1] + np.where(t > 20.2, slip, 0.0),
            f"J{k}.brake_engaged": t >= 0,
        }
    found = neighbour_slips(
        joint_tables(archive_of(tmp_path, {"main": channels}, {"main": t}), "s")
    )
    by = {row["beside"]: row for row in found.to_dicts()}
    assert set(by) == {"J2", "J3"}
    assert by["J2"]["status"] == "slip"
    assert by["J2"]["moved_deg"] == pytest.approx(0.08, abs=0.002)
    assert by["J3"]["status"] == "held"


@given(st.floats(0, 100), st.floats(0.001, 5), st.floats(0.0, 10), st.floats(0, 1), st.floats(0, 1))
def test_a_span_always_holds_the_truth(first, step, later, u, v):
    second = first + later
    a, b = first - u * step, second - v * step
    found = span(a, a + step, b, b + step)
    assert found.low_s - 1e-9 <= later <= found.high_s + 1e-9
    if later <= 0:
        assert found.value_s is None


def test_spans_say_what_is_known():
    assert span(0.0, 0.01, 1.0, 1.01).status == "measured"
    assert span(0.0, 1.0, 2.0, 3.0).status == "interval"
    assert span(0.0, 1.0, 0.0, 1.0).status == "not measurable"
    assert never(2.0, 5.0).low_s == 3.0
    assert never(2.0, 5.0).value_s is None


def test_stretches_pass_over_unknown_words():
    words = np.array([0, 1, 1, -1, 1, 0, -1, 0, 1], dtype=np.int8)
    assert stretches(words) == [(1, 5), (8, 9)]
    assert stretches(np.full(4, -1, dtype=np.int8)) == []
