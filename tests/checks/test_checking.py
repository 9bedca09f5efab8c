import itertools
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy.stats import poisson

from replay.archive import open_archive
from replay.checks import calibration, check, discoveries, flags, learn, score_trace
from replay.checks.promise import bound, score_limit_for
from replay.models import load_baseline
from tests.checks.sessions import add, bench, between

names = (f"faulty{k:03d}" for k in itertools.count())
DAYS = itertools.count(50)
MOST_BY_CHANCE = 11
"""Findings in twenty joint-hours at 30 asked per 100, of which six are due."""


def judged(bench_archive, columns, **options):
    """Check a session and return its flags on joint P1, best first."""
    archive, baseline = bench_archive
    name = add(archive, next(names), columns, day=next(DAYS), **options)
    result = check(archive, name, baseline)
    return result, [f for f in result.flags if f.joint == "P1"]


def overlaps(flag, columns, start, end, slack=2.0):
    begin = flag.start.timestamp() % 86400
    finish = flag.end.timestamp() % 86400
    return begin < end + slack and finish > start - slack


def drag(columns, start, end, amps):
    mask = between(columns, start, end) & columns["P1"]["_moving"]
    columns["P1"]["current_a"][mask] += amps * np.sign(columns["P1"]["_rate"][mask])


def test_healthy_sessions_keep_the_rate_that_was_asked(bench_archive):
    """Twenty joint-hours, asked thirty times louder than usual: six findings are due by chance.

    More than eleven come by chance in 2 of 100 such runs, and in 95 of 100 when the rate is
    three times what was promised. At the usual rate, 0.2 are due: two would be ten times that.
    """
    archive, baseline = bench_archive
    at_30, at_1, hours = 0, 0, 0.0
    for seed in range(100, 104):
        name = add(archive, next(names), bench(seed, minutes=150.0), day=next(DAYS))
        result = check(archive, name, replace(baseline, asked=30.0), save=False)
        at_30 += len(result.flags)
        at_1 += sum(f.score >= score_limit_for(1.0) for f in result.flags)
        hours += result.joint_hours
    assert hours == pytest.approx(20.0, rel=0.02)
    assert at_30 <= MOST_BY_CHANCE
    assert at_1 <= 1


def test_the_bound_on_healthy_sessions_can_tell():
    due = 0.30 * 20.0
    assert poisson.sf(MOST_BY_CHANCE, due) < 0.025
    assert poisson.sf(MOST_BY_CHANCE, 3 * due) > 0.94
    assert poisson.sf(1, 0.01 * 20.0) < 0.025


def test_more_friction_is_named_with_its_size_and_time(bench_archive):
    columns = bench(200)
    drag(columns, 130.0, 360.0, 0.5)
    _, found = judged(bench_archive, columns)
    best = found[0]
    assert best.kind == "friction"
    assert best.evidence["drag_a"] == pytest.approx(0.5, abs=0.12)
    assert abs(best.start.timestamp() % 86400 - 130.0) < 8.0
    assert "+0." in best.summary
    assert best.baseline == bench_archive[1].version


def test_drag_from_one_release_to_the_next_engagement_is_the_brake(bench_archive):
    columns = bench(201)
    drag(columns, 124.0, 147.0, 0.6)
    _, found = judged(bench_archive, columns)
    assert found[0].kind == "brake-drag"
    assert found[0].evidence["runner_up"] == "friction"


def test_motion_while_the_brake_is_engaged_is_slip(bench_archive):
    columns = bench(202)
    hold = between(columns, 151.0, 152.0)
    ramp = np.zeros(columns["t"].size)
    ramp[hold] = 0.8 * (columns["t"][hold] - 151.0)
    ramp[columns["t"] >= 152.0] = 0.8
    columns["P1"]["brake_engaged"][between(columns, 148.5, 153.8)] = True
    columns["P1"]["brake_engage_cmd"][between(columns, 148.5, 153.8)] = True
    columns["P1"]["angle_deg"] += ramp
    _, found = judged(bench_archive, columns)
    assert "brake-slip" in {f.kind for f in found}


def test_a_frozen_current_is_the_sensor_and_not_the_joint(bench_archive):
    columns = bench(203)
    mask = between(columns, 130.0, 140.0)
    columns["P1"]["current_a"][mask] = columns["P1"]["current_a"][mask][0]
    _, found = judged(bench_archive, columns)
    assert {f.kind for f in found} == {"current-sensor"}


def test_an_offset_is_the_sensor_and_not_friction(bench_archive):
    columns = bench(204)
    columns["P1"]["current_a"][between(columns, 100.0, 300.0)] += 0.6
    _, found = judged(bench_archive, columns)
    assert found[0].kind == "current-sensor"
    assert "sensor rather than the joint" in found[0].summary


def test_an_angle_that_jumps_is_the_sensor(bench_archive):
    columns = bench(205)
    columns["P1"]["angle_deg"][columns["t"] >= 135.0] += 1.5
    _, found = judged(bench_archive, columns)
    assert found[0].kind == "angle-sensor"
    assert found[0].evidence["step_deg"] == pytest.approx(1.5, abs=0.5)


def test_a_silent_channel_is_a_gap(bench_archive):
    columns = bench(206)
    columns["P1"]["current_a"][between(columns, 130.0, 137.0)] = np.nan
    _, found = judged(bench_archive, columns)
    assert found[0].kind == "gap"
    assert found[0].evidence["measured"] == pytest.approx(7.0, abs=0.3)


def test_a_joint_held_back_while_pushing_is_stalled(bench_archive):
    columns = bench(207)
    one = columns["P1"]
    mask = between(columns, 130.0, 142.0)
    sign = np.sign(one["rate_cmd_deg_s"][mask])
    stopped = np.interp(columns["t"], [129.5, 130.0, 142.0, 142.5], [1.0, 0.0, 0.0, 1.0])
    one["angle_deg"] = np.cumsum(one["_rate"] * stopped) / 10.0
    one["current_a"][mask] += 2.0 * sign
    _, found = judged(bench_archive, columns)
    assert found[0].kind == "stall"
    assert found[0].severity == "act"


def test_a_change_of_asymmetry_is_flagged_though_asymmetry_is_normal(bench_archive):
    columns = bench(208)
    backward = columns["P1"]["_moving"] & (columns["P1"]["_rate"] < 0) & (columns["t"] > 100)
    columns["P1"]["current_a"][backward] -= 0.5
    _, found = judged(bench_archive, columns)
    assert found
    evidence = found[0].evidence
    assert evidence["backward_a"] == pytest.approx(-0.5, abs=0.15)
    assert abs(evidence["forward_a"] or 0.0) < 0.15


def test_same_input_same_flags_to_the_bit(bench_archive):
    archive, baseline = bench_archive
    columns = bench(200)
    drag(columns, 130.0, 360.0, 0.5)
    name = add(archive, next(names), columns, day=next(DAYS))
    first = check(archive, name, baseline, save=False)
    again = check(archive, name, load_baseline(archive, baseline.version), save=False)
    assert first.flags == again.flags
    assert first.flags


def test_learning_again_gives_the_same_version(tmp_path):
    archive = open_archive(tmp_path / "a", create=True)
    names = [add(archive, f"s{k}", bench(k, minutes=3.0), day=k) for k in range(3)]
    assert learn(archive, names).version == learn(archive, names).version


def test_what_is_learned_last_is_the_latest_though_it_was_learned_before(tmp_path):
    archive = open_archive(tmp_path / "a", create=True)
    names = [add(archive, f"s{k}", bench(k, minutes=3.0), day=k) for k in range(3)]
    first = learn(archive, names)
    other = learn(archive, names[:2])
    assert load_baseline(archive).version == other.version
    again = learn(archive, names)
    assert load_baseline(archive).version == again.version
    assert again.version.split("-")[1] == first.version.split("-")[1]
    assert len({first.version, other.version, again.version}) == 3


def test_a_fault_hidden_in_training_is_set_aside(tmp_path):
    archive = open_archive(tmp_path / "a", create=True)
    for k in range(12):
        columns = bench(k)
        if k == 5:
            drag(columns, 100.0, 300.0, 1.5)
        add(archive, f"s{k:02d}", columns, day=k)
    baseline = learn(archive)
    assert baseline.units["S-1"].set_aside == ("s05",)
    # the hours that taught it are those of the sessions that did
    whole = baseline.units["S-2"].hours
    assert baseline.units["S-1"].hours == pytest.approx(whole * 11 / 12, rel=0.01)
    assert [f.kind for f in check(archive, "s05", baseline).flags if f.joint == "P1"]


def test_few_sessions_cannot_promise(bench_archive):
    result, _ = judged(bench_archive, bench(300))
    assert "cannot promise this rate from so few sessions" in result.note
    assert result.expected_false_flags >= result.asked_rate * result.joint_hours / 100 * 0.99


@pytest.mark.parametrize(
    "hide",
    [
        ("brake_engaged", "brake_engage_cmd"),
        ("temperature_c",),
        ("rate_cmd_deg_s", "temperature_c", "brake_engaged", "brake_engage_cmd"),
    ],
)
def test_missing_channels_leave_friction_to_be_found(tmp_path, hide):
    archive = open_archive(tmp_path / "a", create=True)
    for k in range(5):
        add(archive, f"s{k:02d}", bench(k), day=k, hide=hide)
    baseline = learn(archive)
    columns = bench(200)
    drag(columns, 130.0, 360.0, 0.6)
    add(archive, "odd", columns, day=9, hide=hide)
    found = check(archive, "odd", baseline).flags
    assert found
    assert found[0].joint == "P1"


def test_one_session_one_dead_joint_and_a_slow_log(tmp_path):
    archive = open_archive(tmp_path / "a", create=True)
    columns = bench(1, hz=1.0, minutes=20.0)
    columns["P2"]["current_a"][:] = 0.0
    columns["P2"]["angle_deg"][:] = 12.0
    add(archive, "only", columns)
    baseline = learn(archive)
    result = check(archive, "only", baseline)
    assert "cannot promise" in result.note
    assert all(f.joint != "P2" or f.kind != "friction" for f in result.flags)


def test_units_the_baseline_does_not_know_are_said(bench_archive):
    result, _ = judged(bench_archive, bench(301), serials=("S-9", "S-2"))
    assert "knows no unit S-9" in result.note


def test_a_speed_never_seen_is_not_guessed(bench_archive):
    archive, baseline = bench_archive
    columns = bench(302)
    for quantity in ("angle_deg", "rate_cmd_deg_s"):
        columns["P1"][quantity] = columns["P1"][quantity] * 4
    name = add(archive, next(names), columns, day=next(DAYS))
    trace = score_trace(archive, name, "P1", baseline)
    fast = trace.filter(pl.col("sample_z").is_null())
    assert fast.height > 0.1 * trace.height


def test_stored_flags_are_filtered_and_ranked(bench_archive):
    archive, baseline = bench_archive
    columns = bench(209)
    drag(columns, 130.0, 360.0, 0.7)
    columns["P2"]["current_a"][between(columns, 30.0, 36.0)] = np.nan
    name = add(archive, next(names), columns, day=next(DAYS))
    check(archive, name, baseline)
    both = flags(archive, [name])
    assert {"P1", "P2"} <= set(both["joint"])
    assert set(flags(archive, [name], joint="P1")["joint"]) == {"P1"}
    assert flags(archive, [name], min_score=1e6).height == 0
    rank = both["severity"].replace_strict({"act": 0, "look": 1, "note": 2})
    assert rank.is_sorted()


def test_discoveries_hold_the_strong_and_drop_what_is_alone_by_chance(bench_archive):
    archive, baseline = bench_archive
    columns = bench(210)
    drag(columns, 100.0, 360.0, 0.9)
    name = add(archive, next(names), columns, day=next(DAYS))
    check(archive, name, baseline)
    held = discoveries(archive)
    assert name in held["session"].to_list()
    assert (held["q"] <= 0.1).all()


def test_calibration_counts_held_out_events(bench_archive):
    archive, baseline = bench_archive
    table = calibration(archive, baseline)
    assert table["joint_hours"][0] == pytest.approx(12 * 2 * 0.1, rel=0.05)
    assert table["events"].is_sorted()
    assert (table["low"] <= table["observed"]).all()
    assert (table["observed"] <= table["high"]).all()


def test_expected_lies_in_its_band(bench_archive):
    from replay.signals import joint_table

    archive, baseline = bench_archive
    table = joint_table(archive, "healthy03", "P1")
    band = baseline.expected(table, "S-1")
    assert band.height == table.height
    inside = (table["current_a"] >= band["low_a"]) & (table["current_a"] <= band["high_a"])
    assert 0.95 < inside.drop_nulls().mean() <= 1.0
    assert band["seen"].mean() > 0.95


def spoil(columns, what):
    one = columns["P1"]
    if what == "gap":
        one["current_a"][between(columns, 130.0, 138.0)] = np.nan
    elif what == "angle-sensor":
        one["angle_deg"][columns["t"] >= 135.0] += 2.0
    elif what == "brake-slip":
        for quantity in ("brake_engaged", "brake_engage_cmd"):
            one[quantity][between(columns, 148.0, 153.8)] = True
        one["angle_deg"] += np.clip((columns["t"] - 151.0) / 0.5, 0.0, 1.0)
    elif what == "current-sensor":
        mask = between(columns, 130.0, 140.0)
        one["current_a"][mask] = one["current_a"][mask][0]


PHYSICAL = ("gap", "angle-sensor", "brake-slip", "current-sensor")


@pytest.mark.xfail(strict=True, reason="jumps in two of sixteen sessions widen their own tail")
def test_half_the_training_faulty_hides_no_physical_finding(tmp_path):
    archive = open_archive(tmp_path / "a", create=True)
    for k in range(16):
        columns = bench(k)
        if k >= 8:  # every fault in two sessions of sixteen
            spoil(columns, PHYSICAL[k % 4])
            drag(columns, 180.0, 300.0, 0.7 + 0.1 * k)
        add(archive, f"s{k:02d}", columns, day=k)
    baseline = learn(archive)
    for k in range(8, 16):
        kinds = {f.kind for f in check(archive, f"s{k:02d}", baseline).flags if f.joint == "P1"}
        assert PHYSICAL[k % 4] in kinds


@pytest.mark.parametrize("what", PHYSICAL)
def test_one_session_is_enough_for_a_physical_finding(tmp_path, what):
    archive = open_archive(tmp_path / "a", create=True)
    columns = bench(3)
    spoil(columns, what)
    add(archive, "only", columns)
    baseline = learn(archive, false_flags_per_100h=0.01)
    result = check(archive, "only", baseline)
    assert what in {f.kind for f in result.flags if f.joint == "P1"}
    assert result.expected_false_flags > 0.0


def test_a_gap_that_most_sessions_have_is_said_and_not_flagged(tmp_path):
    archive = open_archive(tmp_path / "a", create=True)
    for k in range(6):
        columns = bench(k)
        if k != 4:
            spoil(columns, "gap")
        add(archive, f"s{k:02d}", columns, day=k)
    baseline = learn(archive)
    result = check(archive, "s02", baseline)
    assert "gap" not in {f.kind for f in result.flags}
    assert "P1: most sessions show lost" in result.note


def test_a_push_that_two_joints_feel_is_one_stall(bench_archive):
    archive, baseline = bench_archive
    columns = bench(211)
    surge = between(columns, 131.0, 133.0)  # both move then
    for joint in ("P1", "P2"):
        shape = np.sin(np.linspace(0, np.pi, int(surge.sum())))
        columns[joint]["current_a"][surge] += 3.0 * shape
    name = add(archive, next(names), columns, day=next(DAYS))
    found = check(archive, name, baseline).flags
    first = found[:2]
    assert {(f.joint, f.kind) for f in first} == {("P1", "stall"), ("P2", "stall")}
    assert len({f.group for f in first}) == 1
    assert all("P1, P2 at once" in f.summary for f in first)


def test_no_sentence_speaks_of_what_is_unknown(bench_archive):
    archive, baseline = bench_archive
    columns = bench(212)
    still = ~columns["P1"]["_moving"] & (columns["t"] > 100)
    columns["P1"]["current_a"][still] += 0.8
    name = add(archive, next(names), columns, day=next(DAYS))
    found = check(archive, name, baseline).flags
    assert found
    assert not [f.summary for f in found if "unknown" in f.summary or "nan" in f.summary]


def test_what_one_session_shows_ten_times_is_one_witness(bench_archive):
    """Sessions are independent, blocks of one are not: the interval of one is ten times as wide."""
    archive, baseline = bench_archive
    promised = baseline.calibration["promise"]
    count = len(promised["scores"])
    own = {
        **promised,
        "scores": [9.0] * 10 + [0.0] * (count - 10),
        "sessions": ["long"] * 10 + promised["sessions"][10:],
    }
    one = replace(baseline, calibration={**baseline.calibration, "promise": own})
    row = calibration(archive, one).row(0, named=True)
    hours = row["joint_hours"]
    assert row["events"] == 10
    assert row["observed"] == pytest.approx(100 * 10 / hours)
    # Garwood's 90 % interval of one event: 0.05129 to 4.7439 (exact chi-squared quantiles)
    assert row["low"] == pytest.approx(1000 * 0.05129 / hours, rel=1e-3)
    assert row["high"] == pytest.approx(1000 * 4.7439 / hours, rel=1e-3)
    assert bound(one, row["nominal"]) <= row["high"]
