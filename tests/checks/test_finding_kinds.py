"""Kinds told apart on residuals alone: which shape was put in is which comes back."""

import numpy as np
import pytest

from replay.checks.findings import find, gather
from replay.checks.kind import decide
from replay.checks.promise import score_limit_for
from replay.signatures.registry import SHAPES
from tests.checks.simulated_residuals import between, joint, session, with_shape


def judged(law, one):
    other = joint(77, "A2", unit="U-2")
    evidence = gather(session(77, [one, other]), {}, law)
    found = find(evidence, score_limit_for(1.0))
    return [(f, decide(evidence, f)) for f in found]


@pytest.mark.parametrize(
    ("shape", "size", "kind"),
    [
        ("friction", 0.3, "friction"),
        ("offset", 0.2, "current-sensor"),
        ("gain", 0.25, "current-sensor"),
    ],
)
def test_the_kind_is_that_of_the_shape(law, shape, size, kind):
    one = joint(50, "A1", unit="U-1")
    with_shape(one, SHAPES[shape], size, between(one, 95.0, 400.0))
    (finding, decision), *more = judged(law, one)
    assert decision.kind == kind
    assert not more
    assert finding.lead.joint == "A1"
    assert finding.lead.start_s == pytest.approx(95.0, abs=6.0)
    assert decision.size == pytest.approx(size, rel=0.25)
    assert decision.nats[kind] == max(decision.nats.values())


def test_what_rises_within_seconds_is_not_called_growing(law):
    """Friction does not grow in less than the setting `growth_s`."""
    grown = {}
    for long_s, least_a in ((6.0, 1.0), (120.0, 0.15)):
        one = joint(55, "A1", unit="U-1")
        for k in range(6):
            part = between(one, 100.0 + k * long_s / 6, 100.0 + (k + 1) * long_s / 6)
            with_shape(one, SHAPES["friction"], least_a * (k + 1), part)
        (_, decision), *_ = judged(law, one)
        grown[long_s] = decision.shape == "growing friction"
    assert grown == {6.0: False, 120.0: True}


def test_drag_from_release_to_engagement_is_the_brake(law):
    one = joint(51, "A1", unit="U-1")
    with_shape(one, SHAPES["friction"], 0.3, between(one, 90.0, 170.0))  # released 90 to 170
    (finding, decision), *_ = judged(law, one)
    assert decision.kind == "brake-drag"
    assert decision.runner_up == "friction"
    assert finding.lead.end_s == pytest.approx(170.0, abs=3.0)


def test_a_load_that_differs_is_one_finding_of_all_joints(law):
    one, other = joint(52, "A1", unit="U-1"), joint(52, "A2", unit="U-2")
    for each in (one, other):
        with_shape(each, SHAPES["payload"], 80.0, between(each, 0.0, 600.0))
    evidence = gather(session(52, [one, other]), {}, law)
    found = find(evidence, score_limit_for(1.0))
    assert [decide(evidence, f).kind for f in found] == ["load"]
    assert decide(evidence, found[0]).size == pytest.approx(80.0, rel=0.2)


def test_a_healthy_joint_beside_a_faulty_one_stays_silent(law):
    one = joint(53, "A1", unit="U-1")
    with_shape(one, SHAPES["friction"], 0.4, np.ones(one.t_s.size, dtype=bool))
    assert {f.lead.joint for f, _ in judged(law, one)} == {"A1"}
