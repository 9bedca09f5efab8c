"""Every joint is seen in both themes, on the page's paper and on its sheets."""

from __future__ import annotations

import pytest

from dashboards import theme
from tests.contrast import contrast


@pytest.mark.parametrize("ground", ["paper", "sheet"])
@pytest.mark.parametrize("dark", [False, True])
def test_a_joints_colour_stands_three_to_one_or_more(dark, ground):
    """WCAG 2.2, 1.4.11."""
    tokens = theme.DARK if dark else theme.LIGHT
    found = {
        f"J{n + 1}": contrast(theme.joint_colour(n, dark=dark), 1.0, tokens[ground])
        for n in range(len(theme.MARKS))
    }
    assert {joint: round(value, 2) for joint, value in found.items() if value < 3.0} == {}
