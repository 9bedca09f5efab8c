"""A joint that is held while it is told to move: however hard it pushes, it is seen, and named."""

import numpy as np
import pytest

from replay.models.residuals import RESTING, SLIDING
from replay.signatures.marks import Mark
from replay.signatures.registry import BY_KIND, SHAPES
from tests.checks.simulated_residuals import joint


def test_a_current_at_a_standstill_counts_only_while_motion_is_due():
    one = joint(1)
    one.figures["fast_deg_s"] = 2.0
    third = one.t_s.size // 3
    one.state[:] = RESTING
    one.state[2 * third :] = SLIDING
    one.rate_cmd_deg_s[:] = np.where(np.arange(one.t_s.size) < third, 0.0, -1.0)
    push = SHAPES["held push"].of(one)
    assert set(push) == {"rest"}
    told = np.zeros(one.t_s.size)
    told[third : 2 * third] = -1.0
    assert np.array_equal(push["rest"], told)


@pytest.mark.parametrize(("step_deg", "owner"), [(0.2, "stall"), (6.0, "angle-sensor")])
def test_missing_travel_is_the_angles_only_where_a_step_is_most_of_it(step_deg, owner):
    """What holds a joint and lets go shakes it: a step of 0.2 deg is no cause of 9 deg missing."""
    behind = Mark("behind", "4s/4", 10.0, 14.0, 9.0, {"due_deg": 10.0, "missing_deg": 9.0}, 90.0)
    step = Mark("angle step", "free 0", 13.0, 13.1, step_deg,
                {"step_deg": step_deg, "braked": False, "at_once": 1.0}, 12.0)  # fmt: skip
    claims = {k: BY_KIND[k].claims(behind, [behind, step]) for k in ("stall", "angle-sensor")}
    assert max(claims, key=lambda k: claims[k]) == owner
    assert sorted(claims.values()) == [0.0, 1.0]
