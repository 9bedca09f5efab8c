import numpy as np
import pytest
from makers import LAWS, unit

from replay.wear.lookback import coverage, crossing, stand_back
from replay.wear.projection import project


def test_a_straight_course_crosses_where_it_must():
    t = np.linspace(0, 2, 100)
    y = 1 + 0.2 * t + 0.005 * np.random.default_rng(1).normal(size=100)
    found = project(t, y, 1.6)
    assert found.word == "projected"
    assert found.low < 3.0 < found.high
    assert found.median == pytest.approx(3.0, rel=0.1)
    falling = project(t, -y, -1.6, worse="down")
    assert falling.median == pytest.approx(found.median, rel=1e-6)


def test_the_same_seed_gives_the_same_date():
    t = np.linspace(0, 2, 60)
    y = 1 + 0.2 * t**2 + 0.02 * np.random.default_rng(2).normal(size=60)
    assert project(t, y, 2.2) == project(t, y, 2.2)


def test_a_doubtful_law_gives_a_wide_interval():
    rng = np.random.default_rng(3)
    t = np.linspace(0, 1, 60)
    noise = rng.normal(size=60)
    sure = project(t, 1 + 0.5 * t + 0.005 * noise, 2.0)
    unsure = project(t, 1 + 0.5 * t + 0.05 * noise, 2.0)
    assert unsure.high is None or unsure.high - unsure.low > 3 * (sure.high - sure.low)


def test_too_few_values_say_so():
    found = project(np.arange(5.0), np.arange(5.0), 9.0)
    assert found.word == "impossible"
    assert "5 sessions" in found.reason


def test_limit_dates_cover_the_truth_over_several_laws():
    stands = []
    for law in LAWS:
        if law == "none":
            continue
        for seed in range(8):
            made = unit([seed, 77], law=law, sessions=150, season=0.0, growth=0.5, noise=0.03)
            limit = made.truth[0] + 0.9 * (made.truth[-1] - made.truth[0])
            crossed = float(np.interp(limit, made.truth, made.years))
            stands += stand_back(made.years, made.rows["value"].to_numpy(), limit, crossed)
    found = coverage(stands)
    assert found.stands > 150
    assert found.share == pytest.approx(found.claimed, abs=0.07)


def test_the_true_crossing_is_found_again_in_a_whole_history():
    made = unit(5, law="linear", growth=0.5, sessions=300, season=0.0, noise=0.02, missing=False)
    when = crossing(made.years, made.rows["value"].to_numpy(), 1.2 * 1.25, "up")
    assert when == pytest.approx(1.0, abs=0.12)
    assert crossing(made.years, made.rows["value"].to_numpy(), 9.0, "up") is None
