"""How urgent a finding is: the written rule, case by case, and its edges."""

import pytest

from replay.checks.severity import severity
from replay.records import FLAG_KINDS
from replay.signatures.kinds import Facts
from replay.signatures.marks import Mark
from replay.signatures.stall import lacking


def facts(drag=0.0, expected=1.0, marks=()):
    return Facts(
        joint="J1",
        joints="J1",
        span="at 09:00:00.0",
        shape="",
        size=0.0,
        size_se=0.0,
        unit="",
        ampere={"drag": drag, "expected": expected},
        marks=marks,
        temperature_c=20.0,
        speed_deg_s=1.0,
    )


def test_a_slip_always_calls_for_a_decision():
    assert severity("brake-slip", facts(), 0.1, 0.0) == "act"


@pytest.mark.parametrize("kind", ["friction", "brake-drag"])
@pytest.mark.parametrize(
    ("drag", "owed"), [(0.49, "look"), (0.5, "look"), (0.51, "act"), (-0.51, "act")]
)
def test_half_of_the_usual_moving_current_is_the_edge(kind, drag, owed):
    assert severity(kind, facts(drag=drag), 60.0, 9.0) == owed


def test_without_a_usual_current_nothing_is_half_of_it():
    assert severity("friction", facts(drag=5.0, expected=float("nan")), 60.0, 9.0) == "look"


@pytest.mark.parametrize(("seconds", "owed"), [(4.9, "note"), (5.0, "look")])
def test_a_hole_of_five_seconds_is_looked_at(seconds, owed):
    assert severity("gap", facts(), seconds, 9.0) == owed


@pytest.mark.parametrize(("beyond", "owed"), [(2.9, "note"), (3.0, "look")])
def test_what_no_kind_explains_is_looked_at_when_a_thousand_times_rarer(beyond, owed):
    assert severity("unusual", facts(), 10.0, beyond) == owed


@pytest.mark.parametrize(("due", "lacks", "owed"), [(10.0, 5.1, "act"), (10.0, 4.9, "look")])
def test_a_stall_is_judged_by_the_travel_it_lacks(due, lacks, owed):
    mark = Mark("behind", "all", 0.0, 1.0, lacks, {"due_deg": due}, 5.0)
    assert lacking(mark) == pytest.approx(lacks / due)
    assert severity("stall", facts(marks=(mark,)), 1.0, 9.0) == owed


def test_every_kind_has_a_word_and_none_of_them_clears_an_arm():
    assert {severity(kind, facts(), 1.0, 1.0) for kind in FLAG_KINDS} <= {"note", "look", "act"}
