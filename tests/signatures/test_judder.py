"""Where swings of the current are looked for: friction that turns its sign is none."""

import numpy as np

from replay.signatures.registry import SHAPES
from replay.signatures.stick_slip import WINDOW_S
from tests.checks.simulated_residuals import joint


def test_a_joint_that_turns_is_not_judged_for_judder_within_a_window():
    one = joint(1)
    one.plant.ok[:] = True
    turn_s = float(one.t_s[one.t_s.size // 2])
    one.rate_deg_s[:] = np.where(one.t_s < turn_s, 1.0, -1.0)
    judged = SHAPES["judder"].of(one)["plant"] == 1
    near = np.abs(one.t_s - turn_s) < WINDOW_S / 2 - one.step_s
    assert not judged[near].any()
    assert judged[np.abs(one.t_s - turn_s) > WINDOW_S].all()
