"""Truth must agree with the data: each fault shows where and as large as it says.

A session is simulated twice from one seed, with the fault and without it; all
else is the same to the bit, so the difference is the fault.
"""

from datetime import datetime
from itertools import pairwise

import numpy as np
import polars as pl
import pytest

from replay.demo import FaultWish, SessionPlan, simulate_session
from replay.demo.faulty.faults import CLEAR_SHIFT, FLAVOURS
from replay.demo.recorder import Habits
from replay.errors import UsageError

STEADY = Habits(jitter_share=0.0, lost_share=0.0, pauses_per_hour=0.0, stale_per_hour=0.0)
SEED = 12


def pair(kind, flavour=None, grade="clear", *, seed=SEED, rate_hz=50.0, **more):
    """Return the healthy frame, the faulty one and the fault's truth."""
    if kind == "load":
        more = {"style": "cargo move", "payload_kg": 900.0, **more}
    plan = {"minutes": 6.0, "rate_hz": rate_hz, "habits": STEADY, **more}
    well, nothing = simulate_session(SessionPlan(**plan), seed)
    assert nothing["events"] == []
    wish = FaultWish(kind, grade, flavour=flavour)
    ill, truth = simulate_session(SessionPlan(**plan, faults=(wish,)), seed)
    assert len(truth["events"]) == 1
    return well, ill, truth["events"][0]


def between(event, frame):
    start, end = datetime.fromisoformat(event["start"]), datetime.fromisoformat(event["end"])
    return frame["time"].is_between(start, end).to_numpy()


def difference(well, ill, joint, quantity):
    name = f"{joint}.{quantity}"
    return (ill[name] - well[name]).to_numpy()


@pytest.mark.parametrize("kind", ["friction", "brake-drag"])
@pytest.mark.parametrize("grade", ["clear", "subtle"])
def test_friction_and_drag_add_the_stated_current_against_the_motion(kind, grade):
    well, ill, event = pair(kind, "step" if kind == "friction" else None, grade)
    joint = event["joint"]
    extra = difference(well, ill, joint, "current_a")
    rate = well[f"{joint}.rate_deg_s"].to_numpy()
    moving = between(event, well) & (np.abs(rate) > 0.05)
    assert np.median(extra[moving] * np.sign(rate[moving])) == pytest.approx(event["size"], rel=0.2)
    outside = ~between(event, well)
    assert np.median(np.abs(extra[outside])) < 0.011  # a step of the recorder
    typical = np.median(np.abs(well[f"{joint}.current_a"].to_numpy()[np.abs(rate) > 0.05]))
    share = event["size"] / typical
    assert share > 0.95 * CLEAR_SHIFT if grade == "clear" else share < 0.8 * CLEAR_SHIFT


@pytest.mark.parametrize(("grade", "least"), [("clear", 0.5), ("subtle", 0.25)])
def test_a_slip_moves_the_joint_while_its_brake_is_closed(grade, least):
    well, ill, event = pair("brake-slip", grade=grade)
    joint = event["joint"]
    held = ill.filter(between(event, ill))
    assert held[f"{joint}.brake_engaged"].all()
    moved = abs(held[f"{joint}.angle_deg"][-1] - held[f"{joint}.angle_deg"][0])
    assert moved == pytest.approx(event["size"], abs=0.03)
    assert event["size"] >= least
    # The other joints hardly know of it: the pose is another, their gears wind up less.
    other = "J1" if joint != "J1" else "J2"
    assert np.abs(difference(well, ill, other, "angle_deg")).max() < 0.01


@pytest.mark.parametrize("grade", ["clear", "subtle"])
def test_a_late_release_takes_as_long_as_truth_says(grade):
    well, ill, event = pair("late-release", grade=grade, rate_hz=100.0)
    name = f"{event['joint']}.brake_engaged"
    start = datetime.fromisoformat(event["start"])

    def delay(frame):
        after = frame.filter((pl.col("time") >= start) & ~pl.col(name))
        return (after["time"][0] - start).total_seconds()

    assert delay(ill) == pytest.approx(event["size"], abs=0.021)
    ratio = event["size"] / delay(well)
    assert ratio >= 1.9 if grade == "clear" else 1.3 <= ratio <= 2.0


def test_stick_slip_stops_and_starts_and_swings_the_current():
    well, ill, event = pair("stick-slip")
    joint, rows = event["joint"], between(event, ill)
    rate = ill[f"{joint}.rate_deg_s"].to_numpy()[rows]
    smooth = well[f"{joint}.rate_deg_s"].to_numpy()[rows]
    assert np.quantile(np.abs(rate), 0.3) < 0.3 * np.median(np.abs(smooth))
    assert np.std(difference(well, ill, joint, "current_a")[rows]) > 0.3 * event["size"]


def test_a_stall_slows_the_tip_and_loads_several_joints():
    well, ill, event = pair("stall")
    rows = between(event, ill)
    joint = event["joint"]
    assert event["also"]
    rate, was = (f[f"{joint}.rate_deg_s"].to_numpy()[rows] for f in (ill, well))
    assert np.min(np.abs(rate)) < 0.6 * np.max(np.abs(was))
    assert np.abs(ill[f"{joint}.rate_cmd_deg_s"].to_numpy()[rows]).min() > 0.0
    push = np.abs(difference(well, ill, joint, "current_a")[rows]).max()
    assert push > 0.5 * event["size"]
    for other in event["also"]:
        assert np.abs(difference(well, ill, other, "current_a")[rows]).max() > 0.03


@pytest.mark.parametrize("flavour", FLAVOURS["load"])
def test_a_wrong_payload_is_wrong_in_the_record_only(flavour):
    well, ill, event = pair("load", flavour)
    told, true = ill["payload_kg"].max(), well["payload_kg"].max()
    assert true - told == pytest.approx(event["size"], abs=1.0)
    assert abs(event["size"]) >= 0.5 * min(told, true)
    assert ill["J2.current_a"].equals(well["J2.current_a"])


def test_a_current_sensors_offset_gain_and_spikes():
    well, ill, event = pair("current-sensor", "offset")
    rows = between(event, ill)
    shift = difference(well, ill, event["joint"], "current_a")
    assert np.median(shift[rows]) == pytest.approx(event["size"], abs=0.011)
    assert not shift[~rows].any()

    well, ill, event = pair("current-sensor", "gain")
    rows = between(event, ill) & (np.abs(well[f"{event['joint']}.current_a"].to_numpy()) > 0.5)
    ratio = ill[f"{event['joint']}.current_a"] / well[f"{event['joint']}.current_a"]
    assert np.median(ratio.to_numpy()[rows]) - 1 == pytest.approx(event["size"], abs=0.02)

    well, ill, event = pair("current-sensor", "spikes")
    hit = np.abs(difference(well, ill, event["joint"], "current_a")) > 0.5 * event["size"]
    assert 3 <= hit.sum() <= 12
    assert not hit[~between(event, ill)].any()


@pytest.mark.parametrize("kind", ["current-sensor", "angle-sensor"])
@pytest.mark.parametrize(("grade", "least"), [("clear", 5.0), ("subtle", 2.5)])
def test_a_stuck_channel_says_one_value_for_as_long_as_truth_says(kind, grade, least):
    _, ill, event = pair(kind, "stuck", grade)
    quantity = "current_a" if kind == "current-sensor" else "angle_deg"
    stuck = ill.filter(between(event, ill))
    assert stuck[f"{event['joint']}.{quantity}"].n_unique() == 1
    lasted = (stuck["time"][-1] - stuck["time"][0]).total_seconds()
    assert lasted == pytest.approx(event["size"], abs=0.05)
    assert event["size"] >= least


def test_an_angle_jumps_or_drifts_but_the_rate_does_not():
    for flavour in ("jump", "drift"):
        well, ill, event = pair("angle-sensor", flavour)
        shift = difference(well, ill, event["joint"], "angle_deg")
        assert np.median(shift[-100:]) == pytest.approx(event["size"], abs=1e-3)
        assert abs(event["size"]) >= 1.0
        before = ill["time"].to_numpy() < np.datetime64(event["start"][:-1])
        assert not shift[before].any()
        rate = f"{event['joint']}.rate_deg_s"
        assert ill[rate].equals(well[rate])


def test_a_lost_channel_and_a_lost_recorder():
    well, ill, event = pair("gap", "channel")
    missing = ill[f"{event['joint']}.current_a"].is_null().to_numpy()
    assert np.array_equal(missing, between(event, ill))
    assert missing.sum() / 50.0 == pytest.approx(event["size"], abs=0.05)

    well, ill, event = pair("gap", "recorder")
    assert event["joint"] == ""
    assert (well.height - ill.height) / 50.0 == pytest.approx(event["size"], abs=0.05)
    assert ill["time"].diff().max().total_seconds() == pytest.approx(event["size"], abs=0.1)


def test_hum_and_knocks_are_as_large_as_truth_says():
    well, ill, event = pair("unusual", "hum")
    extra = difference(well, ill, event["joint"], "current_a")[between(event, ill)]
    # A sine of this amplitude, through a loop that takes some of it away.
    assert 0.4 * event["size"] < np.sqrt(2) * np.std(extra) < 1.1 * event["size"]

    well, ill, event = pair("unusual", "knock", seed=3, minutes=10.0)
    extra = np.abs(difference(well, ill, event["joint"], "current_a")[between(event, ill)])
    assert 0.3 * event["size"] < extra.max() < 1.2 * event["size"]
    assert np.median(extra) < 0.25 * extra.max()


def test_a_wish_that_makes_no_sense_is_refused():
    with pytest.raises(UsageError, match="brake-drag"):
        FaultWish("brake drag")
    with pytest.raises(UsageError, match="clear or subtle"):
        FaultWish("friction", "huge")
    with pytest.raises(UsageError, match="flavour"):
        FaultWish("friction", flavour="stuck")


def test_faults_of_one_session_keep_their_distance():
    wishes = tuple(FaultWish(k) for k in FLAVOURS if k != "load")
    _, truth = simulate_session(SessionPlan(minutes=20.0, faults=wishes), 2)
    assert len(truth["events"]) >= 6
    spans = sorted((e["start"], e["end"]) for e in truth["events"])
    for (_, end), (start, _) in pairwise(spans):
        gap = datetime.fromisoformat(start) - datetime.fromisoformat(end)
        assert gap.total_seconds() >= 8.0
