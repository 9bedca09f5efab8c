"""Kinds that look alike are told apart by what else differs between them.

What each kind looks like is common practice, no source.
"""

import itertools

import numpy as np
import pytest

from replay.checks import check
from tests.checks.sessions import add, bench, between

names = (f"kind{k:03d}" for k in itertools.count())
DAYS = itertools.count(300)


def judged(bench_archive, columns, joint="P1"):
    archive, baseline = bench_archive
    result = check(archive, add(archive, next(names), columns, day=next(DAYS)), baseline)
    return [f for f in result.flags if f.joint == joint]


def drag(columns, start, end, amps):
    mask = between(columns, start, end) & columns["P1"]["_moving"]
    columns["P1"]["current_a"][mask] += amps * np.sign(columns["P1"]["_rate"][mask])


def seconds(instant):
    return instant.timestamp() % 86400


def jerks(columns, start, end, period=2.0):
    """Let P1 stand for half of every period and catch up in the other half."""
    t = columns["t"]
    inside = between(columns, start, end)
    stuck = ((t - start) % period) < 0.55 * period
    rate = columns["P1"]["_rate"].copy()
    columns["P1"]["angle_deg"] -= np.cumsum(rate) / 10.0
    rate[inside] *= np.where(stuck, 0.03, 2.2)[inside]
    columns["P1"]["angle_deg"] += np.cumsum(rate) / 10.0
    wound = ((t - start) % period) / period - 0.5
    columns["P1"]["current_a"][inside] += (1.2 * np.sign(rate) * wound)[inside]


def test_drag_of_one_release_is_the_brake_and_ends_with_it(bench_archive):
    columns = bench(401)
    drag(columns, 124.0, 147.0, 0.5)  # released from 124 to 146.5
    first = judged(bench_archive, columns)[0]
    assert first.kind == "brake-drag"
    assert seconds(first.start) == pytest.approx(125.0, abs=2.0)
    assert seconds(first.end) == pytest.approx(145.0, abs=2.0)
    assert abs(first.evidence["before_release_a"]) < 0.15
    assert abs(first.evidence["after_release_a"]) < 0.15
    assert "not the gear's friction" in first.summary


def test_drag_that_outlasts_the_brake_is_friction(bench_archive):
    columns = bench(402)
    drag(columns, 130.0, 236.0, 0.5)
    first = judged(bench_archive, columns)[0]
    assert first.kind == "friction"
    assert seconds(first.start) == pytest.approx(130.0, abs=2.0)
    assert "not the brake: it outlasts" in first.summary


def test_drag_that_begins_in_the_middle_of_a_motion_is_friction(bench_archive):
    columns = bench(403)
    drag(columns, 133.0, 147.0, 0.5)
    first = judged(bench_archive, columns)[0]
    assert first.kind == "friction"
    assert seconds(first.start) == pytest.approx(133.0, abs=1.0)


def test_an_offset_through_turns_and_rests_is_one_flag(bench_archive):
    columns = bench(404)
    columns["P1"]["current_a"][between(columns, 100.0, 300.0)] += 0.5
    found = judged(bench_archive, columns)
    assert {f.kind for f in found} == {"current-sensor"}
    covering = [f for f in found if seconds(f.start) < 110 and seconds(f.end) > 280]
    assert covering
    assert covering[0].evidence["forward_a"] == pytest.approx(0.5, abs=0.1)
    assert covering[0].evidence["backward_a"] == pytest.approx(0.5, abs=0.1)


def test_a_joint_that_stops_and_runs_on_by_itself_sticks_and_slips(bench_archive):
    columns = bench(405)
    jerks(columns, 127.0, 143.0)
    first = judged(bench_archive, columns)[0]
    assert first.kind == "stick-slip"
    assert first.evidence["stops_and_starts"] >= 2
    assert "stops and runs on" in first.summary
    assert 120 < seconds(first.start) < 135


def test_what_a_judder_shakes_belongs_to_it(bench_archive):
    columns = bench(406)
    jerks(columns, 127.0, 143.0)
    columns["P2"]["current_a"][between(columns, 132.0, 133.0)] += 4.0
    sticking = judged(bench_archive, columns)[0]
    assert sticking.kind == "stick-slip"
    shaken = judged(bench_archive, columns, "P2")[0]
    assert (shaken.kind, "shaken by it" in shaken.summary) == ("unusual", True)
    assert shaken.group is not None


def test_a_place_left_in_one_sample_under_the_brake_is_the_angle_sensor(bench_archive):
    columns = bench(407)
    columns["P1"]["angle_deg"][columns["t"] >= 150.0] += 0.43  # no faster than it runs
    found = judged(bench_archive, columns)
    assert found
    assert {f.kind for f in found} == {"angle-sensor"}


def test_a_place_left_over_a_second_under_the_brake_is_a_slip(bench_archive):
    columns = bench(408)
    columns["P1"]["angle_deg"] += 0.7 * np.clip(columns["t"] - 150.0, 0.0, 1.0)
    assert judged(bench_archive, columns)[0].kind == "brake-slip"


def test_a_hole_in_the_log_from_brake_to_brake_is_no_slip(bench_archive):
    columns = bench(409)
    kept = ~between(columns, 123.0, 148.0)
    cut = {"t": columns["t"][kept]}
    cut |= {j: {k: v[kept] for k, v in columns[j].items()} for j in ("P1", "P2")}
    archive, baseline = bench_archive
    result = check(archive, add(archive, next(names), cut, day=next(DAYS)), baseline)
    assert {f.kind for f in result.flags} == {"gap"}


def test_equal_values_on_both_sides_of_a_hole_are_no_frozen_current(bench_archive):
    columns = bench(411)
    kept = ~between(columns, 130.0, 133.0)
    for joint in ("P1", "P2"):
        amps = columns[joint]["current_a"]
        amps[columns["t"] == 133.0] = amps[np.flatnonzero(kept & (columns["t"] < 130.0))[-1]]
    cut = {"t": columns["t"][kept]}
    cut |= {j: {k: v[kept] for k, v in columns[j].items()} for j in ("P1", "P2")}
    archive, baseline = bench_archive
    result = check(archive, add(archive, next(names), cut, day=next(DAYS)), baseline)
    assert [(f.kind, f.joint) for f in result.flags] == [("gap", "")]


def test_a_recorder_that_repeats_itself_is_one_gap_and_no_frozen_sensors(bench_archive):
    columns = bench(412)
    again = between(columns, 130.0, 141.0)
    for joint in ("P1", "P2"):
        for values in columns[joint].values():
            values[again] = values[again][0]
    archive, baseline = bench_archive
    result = check(archive, add(archive, next(names), columns, day=next(DAYS)), baseline)
    assert [(f.kind, f.joint) for f in result.flags][:1] == [("gap", "")]
    assert "repeats itself: on P1 and P2" in result.flags[0].summary
    assert "current-sensor" not in {f.kind for f in result.flags}


def test_a_slow_move_that_does_not_come_while_the_current_rises_is_a_stall(bench_archive):
    columns = bench(410)
    inside = between(columns, 132.0, 138.0)
    rate = columns["P1"]["_rate"]
    gone = np.where(inside, 0.7 * rate, 0.0)
    columns["P1"]["angle_deg"] -= np.cumsum(gone) / 10.0
    columns["P1"]["current_a"][inside] += 0.8 * np.sign(rate[inside])
    first = judged(bench_archive, columns)[0]
    assert first.kind == "stall"
    assert first.evidence["behind_command"] == pytest.approx(0.7, abs=0.1)
    assert first.evidence["push_a"] == pytest.approx(0.8, abs=0.3)
    assert seconds(first.start) == pytest.approx(132.0, abs=1.0)
    assert seconds(first.end) == pytest.approx(138.0, abs=1.0)


def turn(columns, start, end, period=1.0):
    """Let P1's speed swing to a fifth and to nearly twice its command, without a stop."""
    t = columns["t"]
    inside = between(columns, start, end)
    rate = columns["P1"]["_rate"].copy()
    columns["P1"]["angle_deg"] -= np.cumsum(rate) / 10.0
    swing = 0.85 * np.sin(2 * np.pi * (t - start) / period)
    rate[inside] *= 1.0 + swing[inside]
    columns["P1"]["angle_deg"] += np.cumsum(rate) / 10.0
    columns["P1"]["current_a"][inside] += (0.6 * np.sign(rate) * swing)[inside]


def test_a_speed_that_swings_about_its_command_sticks_and_slips(bench_archive):
    columns = bench(411)
    turn(columns, 128.0, 143.0)
    first = judged(bench_archive, columns)[0]
    assert first.kind == "stick-slip"
    assert first.evidence["swings"] >= 4


def test_drag_whose_end_is_only_the_slowing_down_is_still_the_brake(bench_archive):
    columns = bench(412)
    drag(columns, 124.0, 143.5, 0.5)  # the joint slows down from 143.5 to 145
    assert judged(bench_archive, columns)[0].kind == "brake-drag"


def test_a_drag_that_stays_under_the_brake_is_the_sensor(bench_archive):
    columns = bench(413)
    columns["P1"]["current_a"][between(columns, 128.0, 160.0)] += 0.6
    first = judged(bench_archive, columns)[0]
    assert first.kind == "current-sensor"
    assert first.evidence["resting_a"] == pytest.approx(0.6, abs=0.1)
    assert (seconds(first.start), seconds(first.end)) == pytest.approx((128.0, 160.0), abs=2.0)
    columns = bench(431)
    columns["P1"]["current_a"][between(columns, 128.0, 160.0)] += 0.6
    assert "is left under the brake" in judged(bench_archive, columns)[0].summary


def test_current_against_the_brake_before_it_comes_free_is_a_late_release(bench_archive):
    columns = bench(414)
    for one in (columns["P1"], columns["P2"]):
        del one["brake_engage_cmd"]  # a log with the state alone
    held = between(columns, 124.0, 126.0)
    columns["P1"]["brake_engaged"][held] = True
    columns["P1"]["current_a"][between(columns, 125.2, 126.0)] += 1.4
    first = judged(bench_archive, columns)[0]
    assert first.kind == "late-release"
    # the brake says engaged from 124 s on, and the drive's current runs since then
    assert seconds(first.start) == pytest.approx(124.1, abs=0.5)


def test_less_current_while_moving_alone_is_told_as_a_gain(bench_archive):
    columns = bench(415)
    drag(columns, 100.0, 300.0, -0.5)
    first = judged(bench_archive, columns)[0]
    assert first.kind == "current-sensor"
    assert "off in proportion" in first.summary  # under the brake nothing is off
    assert "less friction would fit as well" in first.summary
