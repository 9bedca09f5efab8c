"""What a finding's sentence says can be read off its residuals, and is kept as plain data."""

import json
import re
from dataclasses import replace

import numpy as np
import pytest

from replay.checks.findings import find, gather, within
from replay.checks.kind import decide
from replay.checks.promise import score_limit_for
from replay.checks.wording import (
    evidence_of,
    facts_of,
    releases_round,
    sentence,
    span_text,
)
from replay.signatures.marks import Mark
from replay.signatures.registry import SHAPES
from tests.checks.simulated_residuals import START, between, joint, session, with_shape


def told(law, seed, shape, size, span):
    """Put one fault on joint A1; return its joint, facts, sentence and evidence."""
    one, other = joint(seed, "A1", unit="U-1"), joint(seed, "A2", unit="U-2")
    with_shape(one, SHAPES[shape], size, between(one, *span))
    evidence = gather(session(seed, [one, other]), {}, law)
    finding = find(evidence, score_limit_for(1.0))[0]
    decision = decide(evidence, finding)
    facts = facts_of(evidence, finding, decision, START)
    inside = within(one, finding.lead.start_s, finding.lead.end_s)
    release = releases_round(one, inside)
    said = sentence(decision, facts, release)
    return one, inside, facts, said, evidence_of(finding, decision, facts, "G1", release)


@pytest.fixture(scope="module")
def friction(law):
    return told(law, 50, "friction", 0.3, (95.0, 400.0))


def test_the_sentence_has_the_size_that_the_residuals_show(friction):
    one, inside, facts, said, _ = friction
    moving = inside & one.plant.ok
    shown = float(np.mean(one.plant.value[moving] * np.sign(one.rate_deg_s[moving])))
    assert facts.ampere["drag"] == pytest.approx(shown, abs=1e-9)
    assert facts.ampere["drag"] == pytest.approx(0.3, abs=0.05)
    amps = [float(a) for a in re.findall(r"([+-]?\d+\.\d+) A", said)]
    assert any(a == pytest.approx(shown, abs=0.006) for a in amps), said


def test_the_sentence_has_its_time_and_what_speaks_against_another_kind(friction):
    _, _, facts, said, _ = friction
    assert facts.span in said
    assert re.search(r"from 06:01:3\d\.\d to 06:06:\d\d\.\d", facts.span)
    assert "; not the brake: it outlasts" in said


def test_a_jump_of_the_angle_is_in_no_figure_of_its_finding(law):
    one, other = joint(50, "A1", unit="U-1"), joint(50, "A2", unit="U-2")
    with_shape(one, SHAPES["friction"], 0.3, between(one, 95.0, 400.0))
    evidence = gather(session(50, [one, other]), {}, law)
    finding = find(evidence, score_limit_for(1.0))[0]
    decision = decide(evidence, finding)
    plain = facts_of(evidence, finding, decision, START)
    k = int(np.flatnonzero(one.plant.ok & between(one, 150.0, 300.0))[3])
    at = float(one.t_s[k])
    mark = Mark("angle step", "free 0", at, at + 0.07, 5.18, {"step_deg": -5.18}, 3289.0)
    for column, wrong in ((one.rate_deg_s, 70.0), (one.expected_a, 30.0), (one.plant.value, 14.0)):
        column[k] = wrong  # what a jump makes of a block's rate, and the rate of its current
    jump = replace(decision, kind="angle-sensor", marks=(mark,), shape="")
    facts = facts_of(evidence, finding, jump, START)
    assert facts.ampere["peak"] == pytest.approx(plain.ampere["peak"], abs=0.2)
    assert facts.ampere["drag"] == pytest.approx(plain.ampere["drag"], abs=0.02)
    alone = replace(finding, lead=replace(finding.lead, start_s=at, end_s=at + 0.07), members=())
    facts = facts_of(evidence, alone, jump, START)
    kept = evidence_of(alone, jump, facts, "G1", {"before": np.nan, "after": np.nan})
    told_of = ("speed_deg_s", "expected_a", "drag_a", "peak_a", "forward_a", "backward_a", "push_a")
    assert [kept[name] for name in told_of] == [None] * len(told_of)
    assert kept["step_deg"] == -5.18


def test_an_offset_says_why_it_is_no_drag(law):
    *_, said, kept = told(law, 54, "offset", 0.2, (95.0, 400.0))
    assert "no drag" in said
    assert kept["size"] == pytest.approx(0.2, rel=0.25)
    assert kept["size_unit"] == "A"


def test_drag_of_one_release_names_the_releases_beside_it(law):
    *_, said, kept = told(law, 51, "friction", 0.3, (90.0, 170.0))
    assert "not the gear's friction" in said
    for beside in ("before_release_a", "after_release_a"):
        assert kept[beside] is None or abs(kept[beside]) < 0.1
    assert any(kept[beside] is not None for beside in ("before_release_a", "after_release_a"))


def test_evidence_is_plain_data_and_agrees_with_the_facts(friction):
    _, _, facts, _, kept = friction
    assert json.loads(json.dumps(kept, allow_nan=False)) == kept
    assert kept["drag_a"] == pytest.approx(facts.ampere["drag"], rel=1e-3)
    assert kept["expected_a"] == pytest.approx(facts.ampere["expected"], rel=1e-3)
    assert kept["speed_deg_s"] == pytest.approx(facts.speed_deg_s, rel=1e-3)
    assert kept["detector"] in kept["detectors"]
    assert kept["runner_up"] in kept["kinds"]
    assert max(kept["kinds"].values()) > kept["kinds"][kept["runner_up"]]


def test_a_span_is_an_instant_where_both_ends_read_the_same():
    assert span_text(START, 1.21, 1.24) == "at 06:00:01.2"
    assert span_text(START, 1.2, 5.0) == "from 06:00:01.2 to 06:00:05.0"


def test_a_sentences_times_are_rounded_and_add_up_with_their_length():
    assert span_text(START, 45.267, 45.267 + 8.2) == "from 06:00:45.3 to 06:00:53.5"
    assert span_text(START, 59.96, 62.0) == "from 06:01:00.0 to 06:01:02.0"
