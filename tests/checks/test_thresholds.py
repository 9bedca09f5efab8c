"""The limit's one identity: a score is a rate of healthy joint-hours, and back."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from scipy.stats import gamma

from replay.checks.promise import CANNOT_PROMISE, bound, expected_rate, score_limit_for, sentence


@dataclass(frozen=True)
class Learned:
    """As much of a baseline as a promise rests on."""

    scores: tuple[float, ...]
    sessions: tuple[str, ...]
    hours_each: float
    asked: float = 1.0
    units: dict[str, Any] = field(default_factory=dict)

    @property
    def calibration(self) -> dict[str, Any]:
        each = [self.hours_each] * len(set(self.sessions))
        return {"promise": {"scores": self.scores, "sessions": self.sessions, "hours": each}}


def quiet(count: int, hours_each: float = 10.0, **more: Any) -> Learned:
    names = tuple(f"s{k}" for k in range(count))
    return Learned((0.0,) * count, names, hours_each, **more)


@pytest.mark.parametrize("asked", [0.01, 1.0, 30.0, 100.0])
def test_a_limit_is_the_chance_of_an_event_in_a_joint_hour(asked):
    # Poisson: an hour without any has probability exp(-rate)
    assert 10.0 ** -score_limit_for(asked) == pytest.approx(1 - np.exp(-asked / 100), rel=1e-12)


def test_who_asks_for_fewer_false_flags_gets_a_higher_limit():
    limits = [score_limit_for(a) for a in (0.01, 0.1, 1.0, 10.0, 100.0)]
    assert limits == sorted(limits, reverse=True)
    assert len(set(limits)) == 5


def test_silence_bounds_the_rate_by_the_hours_it_lasted():
    # Garwood 1936: none seen in T hours leaves at most -ln(0.1) / T at 90 %
    silent = quiet(12)
    assert bound(silent) == pytest.approx(100 * gamma.ppf(0.9, 1) / 120.0, rel=1e-9)
    assert bound(quiet(24)) == pytest.approx(bound(silent) / 2, rel=1e-9)


def test_events_of_one_session_count_as_one_witness():
    names = tuple(f"s{k}" for k in range(12)) + ("s0",) * 3
    one_session = Learned((9.0,) + (0.0,) * 11 + (9.0,) * 3, names, 10.0)
    many = Learned((9.0,) * 4 + (0.0,) * 8, tuple(f"s{k}" for k in range(12)), 10.0)
    # four events of one session are known worse than four of four
    assert bound(one_session) > bound(many)


def test_more_events_than_asked_are_admitted_from_three_on():
    names = tuple(f"s{k}" for k in range(12))
    assert expected_rate(Learned((9.0,) * 2 + (0.0,) * 10, names, 10.0)) == 1.0
    assert expected_rate(Learned((9.0,) * 3 + (0.0,) * 9, names, 10.0)) == pytest.approx(2.5)


def test_a_promise_is_made_only_on_hours_that_bear_it():
    assert sentence(quiet(12, 1.0)).startswith(CANNOT_PROMISE)
    assert sentence(quiet(3, 1000.0)).startswith(CANNOT_PROMISE)  # too few sessions
    assert sentence(quiet(40, 10.0)).startswith("at most ")
