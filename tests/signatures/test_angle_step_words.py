"""The sentence of a step of an angle: digits that a reader can use; a page sets the minus sign."""

from types import SimpleNamespace

import pytest

from replay.signatures.angle_sensor import sentence


@pytest.mark.parametrize(
    ("step_deg", "said"), [(-5.1763, "-5.18"), (0.0412, "+0.041"), (-0.0037, "-0.0037")]
)
def test_a_step_is_said_in_hundredths_and_a_small_one_in_two_digits(step_deg, said):
    mark = SimpleNamespace(measure="angle step", detail={"step_deg": step_deg})
    facts = SimpleNamespace(span="from 09:56:40.9 to 09:56:41.0", proof=lambda *names: mark)
    assert sentence(facts).startswith(f"the angle steps by {said} deg between two samples from")
