"""Sentences of kinds: what was not measured is left out, never said as a number."""

import math

import pytest

from replay.signatures.kinds import Facts
from replay.signatures.registry import SIGNATURES

NOTHING = math.nan
UNMEASURED = dict.fromkeys(
    ("drag", "forward", "backward", "held", "rest", "expected", "peak", "push"), NOTHING
)
CASES = [(s, shape.name) for s in SIGNATURES for shape in s.shapes] + [
    (s, "") for s in SIGNATURES if not s.measures
]


@pytest.mark.parametrize(("kind", "shape"), CASES, ids=lambda v: getattr(v, "kind", v))
@pytest.mark.parametrize("joints", ["J4", "J4 and J5"])
def test_what_was_not_measured_is_no_number(kind, shape, joints):
    facts = Facts(
        "J4", joints, "from a to b", shape, 1.0, NOTHING, "A", UNMEASURED, [], NOTHING, NOTHING
    )
    said = kind.sentence(facts)
    assert "nan" not in said.replace("quan", "")
    assert "from a to b" in said
    assert "()" not in said
    assert " :" not in said


@pytest.mark.parametrize(("se", "known"), [(75.0, False), (0.5, True)])
def test_a_load_within_its_own_doubt_is_not_said_to_be_on_the_tip(se, known):
    load = next(s for s in SIGNATURES if s.kind == "load")
    facts = Facts(
        "J4", "J4", "from a to b", "payload", 5.7, se, "kg", UNMEASURED, [], NOTHING, NOTHING
    )
    said = load.sentence(facts)
    assert ("kg more than the log tells of" in said) == known
    assert ("how large is not known (5.7 ± 75 kg)" in said) != known
