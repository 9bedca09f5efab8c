"""What a finding's sentence, span and evidence say is one thing, and no more than was measured."""

from __future__ import annotations

import itertools
import math
from types import SimpleNamespace

import numpy as np
import pytest

from replay.checks import check
from replay.checks.traces import score_trace
from replay.checks.wording import sentence
from replay.records import Flag
from replay.reviews.judgements.cautions import caution_of_flag
from replay.signatures.gap import channels_lost
from replay.signatures.gap import sentence as gap_sentence
from replay.signatures.kinds import Facts
from replay.signatures.marks import Mark
from replay.signatures.release_delay import pushes_hard
from replay.signatures.release_delay import sentence as release_sentence
from replay.signatures.stall import held_stretch
from replay.signatures.stall import sentence as stall_sentence
from tests.checks.sessions import add, bench, between

NOTHING = math.nan
DAYS = itertools.count(500)


def facts(marks, ampere=None, **extra):
    return Facts(
        "J2", "J2", "from a to b", "", NOTHING, NOTHING, "", ampere or {}, marks, NOTHING,
        NOTHING, extra=extra,
    )  # fmt: skip


def lost(word, start_s, end_s):
    detail = {"channel": word, "seconds": end_s - start_s}
    return Mark("lost", word, start_s, end_s, 100.0, detail, end_s - start_s)


def test_a_gap_names_every_channel_that_was_lost_with_the_longest():
    marks = [lost("temperature", 10.1, 24.8), lost("current", 10.0, 25.0), lost("angle", 10, 24.9)]
    beside = lost("commanded rate", 2.0, 4.0)
    said = gap_sentence(facts([*marks, beside]))
    assert said == "no sample of current, angle or temperature from a to b (15.0 s)"
    assert gap_sentence(facts(marks[1:2])) == "no sample of current from a to b (15.0 s)"
    assert channels_lost([*marks, beside], marks[1]) == ["current", "angle", "temperature"]


def held_joint():
    """A joint told to run back at 0.4 deg/s, which stands nearly still from 20 s to 26 s."""
    t = np.arange(0.0, 60.0, 0.2) + 0.1
    told = np.where((t > 10) & (t < 40), -0.4, 0.0)
    rate = np.where((t > 20) & (t < 26), 0.2 * told, told)
    return SimpleNamespace(t_s=t, step_s=0.2, rate_cmd_deg_s=told, rate_deg_s=rate)


def test_the_stretch_of_a_stall_is_that_of_the_motion_not_of_the_window_it_was_found_by():
    mark = Mark("behind", "8s/1", 21.0, 29.0, 1.6, {"due_deg": -3.2, "missing_deg": 1.6}, 90.0)
    held = held_stretch(held_joint(), mark)
    assert (held.start_s, held.end_s) == pytest.approx((20.0, 26.0), abs=0.21)
    assert held.missing_deg / held.due_deg == pytest.approx(0.8, abs=0.01)
    assert held_stretch(SimpleNamespace(**{**vars(held_joint()), "rate_deg_s": held_joint()
                                           .rate_cmd_deg_s}), mark) is None  # fmt: skip


def test_a_stalls_push_is_told_by_its_direction_not_by_a_sign_against_it():
    mark = Mark("behind", "8s/1", 21.0, 29.0, 1.6, {"due_deg": -3.2, "missing_deg": 1.6}, 90.0)
    said = stall_sentence(facts([mark], {"push": 0.57}, due_deg=2.4, missing_deg=1.92))
    assert "of 2.40 deg backward that were due meanwhile 80% is missing" in said
    assert "pushes backward, as told, 0.57 A harder than expected" in said
    assert "+0.57" not in said


def test_a_stall_that_is_found_by_its_stops_is_flagged_over_all_that_stood(bench_archive):
    archive, baseline = bench_archive
    columns = bench(611)
    inside = between(columns, 132.0, 138.0)
    rate = columns["P1"]["_rate"]
    gone = np.where(inside, 0.9 * rate, 0.0)
    columns["P1"]["angle_deg"] -= np.cumsum(gone) / 10.0
    name = add(archive, f"told{next(DAYS)}", columns, day=next(DAYS))
    flag = next(f for f in check(archive, name, baseline).flags if f.joint == "P1")
    assert flag.kind == "stall"
    assert flag.start.timestamp() % 86400 == pytest.approx(132.0, abs=1.0)
    assert flag.end.timestamp() % 86400 == pytest.approx(138.0, abs=1.0)
    assert flag.evidence["duration_s"] == pytest.approx(6.0, abs=1.5)
    due, missing = flag.evidence["due_deg"], flag.evidence["missing_deg"]
    assert flag.evidence["behind_command"] == pytest.approx(missing / due, abs=1e-3)
    assert f"{due:.2f} deg" in flag.summary


def late(pushed_a, quiet_a):
    detail = {"never": False, "delay_s": 0.67, "pushed_a": pushed_a, "quiet_a": quiet_a}
    return Mark("release word", "delay", 10.0, 10.67, 0.67, detail, 12.0)


def test_a_late_release_says_when_it_was_told_what_is_usual_and_no_push_of_noise():
    said = release_sentence(facts([late(0.07, 0.15)], usual_s=0.1))
    assert said == (
        "from a to b the brake does not report released: that comes 0.67 s after it was told to, "
        "usually 0.10 s; meanwhile the motor draws up to 0.07 A, no more than it does under an "
        "engaged brake"
    )
    assert "no more than" not in release_sentence(facts([late(0.9, 0.15)]))


def test_driving_against_a_brake_is_cautioned_of_above_noise_or_where_noise_is_not_known():
    assert not pushes_hard({"pushed_a": 0.07, "quiet_a": 0.15})
    assert pushes_hard({"pushed_a": 0.4, "quiet_a": 0.15})
    assert pushes_hard({"pushed_a": 0.07, "quiet_a": NOTHING})
    assert pushes_hard({})

    quiet, hard = (
        Flag(**{**dict.fromkeys(Flag.__dataclass_fields__), "kind": "late-release",
                "evidence": {"pushed_a": a, "quiet_a": 0.15}})
        for a in (0.07, 0.4)
    )  # fmt: skip
    assert caution_of_flag(quiet.kind, quiet.evidence) == ""
    assert "drove against its own brake" in caution_of_flag(hard.kind, hard.evidence)
    assert "may not hold" in caution_of_flag("brake-slip", {})


def decided(near):
    return SimpleNamespace(
        kind="brake-drag", runner_up="friction", near=near, shape="drag of one release",
        nats={"brake-drag": 9.0, "friction": 8.0},
    )  # fmt: skip


def test_a_kind_that_fits_nearly_as_well_is_not_also_said_not_to_be_it():
    amps = {"drag": 0.62, "forward": 0.6, "backward": -0.64, "held": NOTHING, "expected": 1.06}
    one = facts([], amps)
    release = {"before": -0.03, "after": NOTHING}
    said = sentence(decided(near=True), one, release)
    assert said.endswith(
        "friction of the gear is not ruled out: against it speaks -0.03 A in the release before"
    )
    assert "not the gear's" not in said
    assert "; not the gear's friction: -0.03 A" in sentence(decided(near=False), one, release)


def test_no_score_stands_where_no_statistic_has_a_value(bench_archive):
    archive, baseline = bench_archive
    columns = bench(612)
    moving = between(columns, 124.0, 147.0) & columns["P1"]["_moving"]
    columns["P1"]["current_a"][moving] += 0.5 * np.sign(columns["P1"]["_rate"][moving])
    name = add(archive, f"told{next(DAYS)}", columns, day=next(DAYS))
    trace = score_trace(archive, name, "P1", baseline)
    detectors = [c for c in trace.columns if c not in ("time", "score", "sample_z")]
    silent = trace.filter(*(trace[c].is_null() for c in detectors))
    assert silent.height > 0
    assert silent["score"].null_count() == silent.height
    assert trace["score"].max() > 2.0
