"""What a flag's sentences say of sizes, scores and causes: nothing that a reader takes wrongly."""

from __future__ import annotations

from dashboards.pages.event_pages.event_story import AT_REST
from dashboards.queries.event.argument import of_evidence
from replay.wording import score_figure, typeset


def test_a_gain_is_told_in_proportion_not_by_the_nothing_that_it_shows_at_rest():
    gain = {"size": 0.3412, "size_unit": "share", "forward_a": 0.5948, "resting_a": 0.0}
    assert of_evidence(gain, "current-sensor").by == "+34 %, in proportion to the expected current"


def test_alike_in_all_states_is_said_only_of_what_is():
    offset = {"forward_a": -0.63, "backward_a": -0.69, "held_a": -0.66, "size_unit": "A"}
    assert of_evidence(offset, "current-sensor").by == "-0.66 A, much alike in all states"
    other = offset | {"forward_a": 0.2}
    assert of_evidence(other, "current-sensor").by == "-0.66 A at rest"
    assert "alike" not in of_evidence({"held_a": -0.66}, "current-sensor").by


def test_a_score_at_the_end_of_the_scale_is_a_bound():
    assert score_figure(260.0) == "≥ 260"
    assert score_figure(63.02) == "63.0"


def test_nothing_expected_is_not_written_as_an_expected_nothing():
    assert "No current is expected" not in AT_REST
    assert "nothing is drawn as expected" in AT_REST


def test_per_cent_has_room_before_it_on_pages():
    assert typeset("75% is missing (90% confidence)") == "75 % is missing (90 % confidence)"
    assert typeset("wait%20here 9%d") == "wait%20here 9%d"


def test_a_flag_that_another_leads_says_what_its_own_joint_showed():
    member = {"lead": False, "detector": "push 2s", "detector_value": -8.24, "duration_s": 0.35}
    said = of_evidence(member | {"lead_flag": "F0", "finding": "G1"}, "stall")
    assert said.seen == (
        "current without the motion it asks for, over 2 s: -8.2 healthy spreads, for 0.35 s"
    )
    assert said.expected == "no departure of this joint beyond what healthy sessions show"
    assert "see the flag that leads it" in said.out
    assert of_evidence({"lead": False}, "unusual").seen == ""
