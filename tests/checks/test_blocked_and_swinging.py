"""A joint stopped short with its drive at its limit, and one that swings while it moves."""

import numpy as np
import pytest

from tests.checks.sessions import bench, between
from tests.checks.test_checking import judged


@pytest.mark.parametrize(("seconds", "ampere"), [(4.0, 3.0), (4.0, 12.0), (7.0, 30.0)])
def test_a_joint_that_is_blocked_is_a_stall_however_hard_it_pushes(bench_archive, seconds, ampere):
    columns = bench(207)
    one = columns["P1"]
    end = 130.0 + seconds
    mask = between(columns, 130.0, end)
    sign = np.sign(one["rate_cmd_deg_s"][mask])
    stopped = np.interp(columns["t"], [129.8, 130.0, end, end + 0.2], [1.0, 0.0, 0.0, 1.0])
    one["angle_deg"] = np.cumsum(one["_rate"] * stopped) / 10.0
    one["current_a"][mask] += ampere * sign
    _, found = judged(bench_archive, columns)
    assert next(f.kind for f in found if f.joint == "P1") == "stall"


def test_a_joint_that_swings_about_a_steady_command_sticks_and_slips(bench_archive):
    """Behind its command it is pushed harder, ahead of it less: by the loop that follows it."""
    columns = bench(211)
    one = columns["P1"]
    mask = between(columns, 97.0, 113.0)
    turn = 2 * np.pi * 0.8
    sway = (np.sin(turn * (columns["t"] - 97.0)))[mask]
    way = np.sign(one["_rate"])[mask]
    one["angle_deg"][mask] += 0.2 * np.abs(one["_rate"])[mask] / turn * sway
    one["current_a"][mask] -= 0.25 * way * sway
    _, found = judged(bench_archive, columns)
    assert found[0].kind == "stick-slip"
    assert "0.8 times a second" in found[0].summary
