"""What flags judge of a brake is the figure that the brake's tables state, to the digit."""

from __future__ import annotations

import numpy as np
import pytest

from replay.archive import Archive
from replay.signals.brakes.brake_events import brake_events
from replay.signals.brakes.displacements import displacements
from replay.signals.brakes.release_answers import answers, release_answers
from replay.signals.brakes.release_starts import starts
from replay.signals.brakes.slips import held_stretches
from replay.signals.channels import Channels
from replay.signals.joints import joint_table
from replay.signatures.brake_slip import slips
from replay.signatures.release_delay import motions, pushes, words
from replay.signatures.track import Track, tracks
from tests.signals.makers import archive_of


def track_of(archive: Archive) -> Track:
    """Return what statistics of single samples read of joint J1."""
    record = archive.session("s")
    (track,) = tracks(Channels(archive, record, ("J1",)), ("J1",), {"J1": record.unit("J1")})
    return track


@pytest.mark.parametrize("out_s", [5.0, 20.0, 60.0])
def test_a_slip_or_excursion_has_one_size_and_one_span(tmp_path, out_s):
    rng = np.random.default_rng(1)
    t = np.arange(0, 60, 0.02)
    away = np.where((t > 25) & (t < 25 + out_s), 0.6, 0.0)
    channels = {
        "J1.current_a": 0 * t,
        "J1.angle_deg": 12 + away + 0.002 * rng.normal(size=len(t)),
        "J1.brake_engaged": (t > 2) & (t < 58),
    }
    archive = archive_of(tmp_path, {"main": channels}, {"main": t})
    (mark,) = slips(track_of(archive)).marks
    table = joint_table(archive, "s", "J1")
    (row,) = held_stretches(table).to_dicts()
    assert mark.detail["moved_deg"] == abs(row["moved_deg"])
    assert abs(row["moved_deg"]) == pytest.approx(0.6, abs=max(6 * row["moved_se_deg"], 0.003))
    assert row["status"] == ("slip" if out_s > 33 else "returned")
    spans = [(row[name] - table["time"][0]).total_seconds() for name in ("moved_from", "moved_to")]
    assert spans == pytest.approx([mark.start_s, mark.end_s], abs=1e-6)


def test_the_error_of_a_displacement_is_neither_blown_up_nor_too_small():
    rng = np.random.default_rng(3)
    t = np.arange(0, 3000, 0.05)
    engaged = (t % 30 > 1) & (t % 30 < 29)
    angle = np.where(t % 30 > 15, 0.3, 0.0) + 0.005 * rng.normal(size=t.size)
    found = displacements(t, angle, engaged, 0.05)
    assert len(found) == 100
    z = np.array([(d.size_deg - 0.3) / d.se_deg for d in found])
    assert 0.5 < z.std() < 1.6
    assert abs(z.mean()) < 0.5


@pytest.mark.parametrize("answer_s", [0.2, 5.0])
def test_a_word_is_late_by_as_much_for_flags_as_for_the_table_of_events(tmp_path, answer_s):
    t = np.arange(0, 40, 0.05)
    channels = {
        "J1.current_a": 0 * t,
        "J1.angle_deg": np.clip(t - 10.5 - answer_s, 0, 5),
        "J1.rate_deg_s": np.where((t > 10.5 + answer_s) & (t < 15.5 + answer_s), 1.0, 0.0),
        "J1.rate_cmd_deg_s": np.where((t > 10.1) & (t < 15.5 + answer_s), 1.0, 0.0),
        "J1.brake_engage_cmd": t < 10,
        "J1.brake_engaged": t < 10 + answer_s,
    }
    archive = archive_of(tmp_path, {"main": channels}, {"main": t})
    (mark,) = words(track_of(archive)).marks
    (event,) = brake_events(joint_table(archive, "s", "J1")).to_dicts()
    assert mark.raw == pytest.approx(answer_s, abs=0.06)
    assert event["signal"] == "command"
    assert event["answer_low_s"] <= mark.raw <= event["answer_high_s"]
    assert event["answer_high_s"] - event["answer_low_s"] <= 0.11
    assert event["delay_low_s"] <= answer_s + 0.4 <= event["delay_high_s"]


def test_a_word_that_changes_again_by_itself_answers_no_command():
    t = np.arange(0, 10, 0.1)
    command = (t < 2).astype(np.int8)
    word = ((t < 2.35) | ((t > 3.05) & (t < 3.35))).astype(np.int8)
    assert answers(t, command, word, 0) == [(20, 24, False)]


@pytest.mark.parametrize("taken_back", [False, True])
def test_a_time_says_how_well_it_is_known(taken_back):
    t = np.arange(0, 20, 0.1)
    none = np.full(t.size, np.nan)
    command = (t < 4.95) | (taken_back & (t > 6.95))
    word = t < 8.95
    rate = np.where(t > 9.2, 1.0, 0.0)
    angle = np.clip(t - 10.0, 0, None)
    track = Track(
        "J1", "u", t, angle, none, rate, 0 * t, none, word.astype(np.int8), command.astype(np.int8)
    )
    (answer,) = release_answers(track)
    assert answer.open_ended == taken_back
    if taken_back:
        assert answer.known.high_s is None
        assert answer.known.low_s == pytest.approx(2.0)
    else:
        assert answer.known.low_s <= 4.0 <= answer.known.high_s
        assert answer.known.high_s - answer.known.low_s == pytest.approx(0.2)
    (start,) = starts(track)
    assert start.known.low_s <= 0.8 <= start.known.high_s
    for judged, measured in ((words(track), answer), (motions(track), start)):
        assert judged.marks[0].raw == pytest.approx(measured.time_s, abs=1e-9)
    assert pushes(track).marks[0].end_s == pytest.approx(10.2)  # within 2.1 steps of 0.1 deg


@pytest.mark.parametrize("unknown", ["at the release", "soon after", "always"])
def test_where_no_angle_is_known_a_joint_is_not_said_to_stay_in_its_place(tmp_path, unknown):
    t = np.arange(0, 60, 0.1)
    going = np.clip(t - 10.1, 0, 30)
    angle = 5.0 + 2.0 * going
    lost = {
        "at the release": np.abs(t - 10.0) < 0.05,
        "soon after": (t > 10.05) & (t < 14),
        "always": t >= 0,
    }[unknown]
    channels = {
        "J1.angle_deg": np.where(lost, np.nan, angle),
        "J1.current_a": np.where(t > 10.5, 6.0, 1.5),
        "J1.brake_engaged": t < 9.95,
    }
    found = pushes(track_of(archive_of(tmp_path, {"main": channels}, {"main": t}))).marks
    assert all(mark.end_s <= 10.2 and mark.detail["pushed_a"] < 2.0 for mark in found)
