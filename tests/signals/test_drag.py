"""Drag after releases."""

from __future__ import annotations

import numpy as np
import pytest

from replay.signals import joint_tables
from replay.signals.brakes.drag import release_drag
from tests.signals.makers import archive_of, trapezoid


def expected(rate):
    return np.sign(rate) * (0.8 + 0.2 * np.abs(rate))


@pytest.mark.parametrize("drag", [0.0, 0.3])
def test_drag_is_sized_after_its_release_and_gone_later(tmp_path, drag):
    rng = np.random.default_rng(0)
    t = np.arange(0, 120, 0.02)
    corners = [(0, 0), (5, 0), (6, -1), (40, -1), (41, 0), (65, 0), (67, 2), (110, 2), (112, 0)]
    _, w = trapezoid(t, [*corners, (121, 0)])
    rubs = (t > 65) & (t < 80)  # only after the second release, for ten seconds of motion and more
    current = expected(w) + np.sign(w) * np.where(rubs, drag, 0) + 0.05 * rng.normal(size=len(t))
    archive = archive_of(
        tmp_path,
        {
            "main": {
                "J1.current_a": current,
                "J1.rate_deg_s": w,
                "J1.brake_engaged": (t < 4) | ((t > 45) & (t < 60)),
            }
        },
        {"main": t},
    )
    table = joint_tables(archive, "s")["J1"]
    found = release_drag(table, expected(w), bands=2)
    first = found.filter(found["time"] == found["time"].min())
    second = found.filter(found["time"] == found["time"].max())
    assert first["time"][0] != second["time"][0]
    assert np.abs(first["drag_a"].to_numpy()).max() < 0.05
    fast = second.sort("rate_high_deg_s").to_dicts()[-1]
    assert fast["drag_a"] == pytest.approx(drag, abs=4 * fast["drag_se_a"] + 0.01)
    assert fast["later_a"] == pytest.approx(0.0, abs=0.35 * drag + 0.01)


def test_no_expected_current_no_drag(tmp_path):
    t = np.arange(0, 20, 0.02)
    _, w = trapezoid(t, [(0, 0), (5, 0), (6, 1), (20, 1)])
    archive = archive_of(
        tmp_path,
        {"main": {"J1.current_a": w, "J1.rate_deg_s": w, "J1.brake_engaged": t < 4}},
        {"main": t},
    )
    table = joint_tables(archive, "s")["J1"]
    assert release_drag(table, np.full(table.height, np.nan)).height == 0
