"""Findings with limits of their own: they need no tails, and no second session."""

import pytest

from replay.models.symptoms import Nominal, physical
from replay.models.symptoms.marks import Mark

NOMINAL = Nominal(marks={"release delay": (0.2, 0.02)})


@pytest.mark.parametrize(
    ("name", "value", "detail", "beyond"),
    [
        ("lost channel", 5.0, {}, True),
        ("lost channel", 4.9, {}, False),
        ("silence", 8.0, {}, True),
        ("slip", 0.5, {"stayed_deg": 0.5}, True),
        ("slip", 0.5, {"stayed_deg": 0.1}, False),  # flexed, and came back
        ("angle step", 1.0, {"noise_deg": 0.01}, True),
        ("angle step", 1.0, {"noise_deg": 0.6}, False),  # such steps are this log's noise
        ("current frozen", 5.0, {"moving": True, "repeats": 100.0}, True),
        ("current frozen", 5.0, {"moving": True, "repeats": 4.0}, False),
        ("current frozen", 5.0, {"moving": False, "repeats": 100.0}, False),
        ("angle frozen", 5.0, {"expected_travel_deg": -3.0}, True),
        ("angle frozen", 5.0, {"expected_travel_deg": 0.1}, False),
        ("release delay", 0.41, {"resolution_s": 0.01}, True),
        ("release delay", 0.39, {"resolution_s": 0.01}, False),
        ("release delay", 0.41, {"resolution_s": 1.0}, False),  # finer than the log can tell
        ("engage delay", 5.0, {}, False),
    ],
)
def test_physical_limits(name, value, detail, beyond):
    assert (physical.excess(Mark(name, 0.0, value, value, detail), NOMINAL) >= 1.0) is beyond


def test_a_unit_without_known_delays_has_no_limit_for_them():
    assert physical.excess(Mark("release delay", 0.0, 9.0, 9.0), Nominal()) == 0.0


def test_what_most_sessions_show_is_how_the_log_is():
    gap = Mark("lost channel", 0.0, 6.0, 6.0)
    often = [(f"s{k}", [gap] if k < 6 else []) for k in range(10)]
    assert physical.usual(often, NOMINAL) == ("lost channel",)
    seldom = [(f"s{k}", [gap] if k < 5 else []) for k in range(10)]
    assert physical.usual(seldom, NOMINAL) == ()
    assert physical.usual(often[:1], NOMINAL) == ()  # one session is no habit
