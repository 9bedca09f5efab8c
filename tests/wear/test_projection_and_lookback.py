import numpy as np
import polars as pl
import pytest
from makers import LAWS, no_notes, unit

from replay.wear.assessment.assessing import assess
from replay.wear.assessment.projection import project
from replay.wear.assessment.projection_backtest import (
    coverage,
    crossing,
    level_reached,
    project_from_the_past,
)
from replay.wear.histories.history import histories


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


@pytest.mark.parametrize("law", [law for law in LAWS if law != "none"])
def test_limit_dates_cover_the_truth_of_every_law_through_seasons(law):
    held = []
    for seed in range(14):
        made = unit([seed, 77], law=law, sessions=150, growth=0.5, season=0.1, noise=0.03)
        limit = float(made.truth[0] + 0.9 * (made.truth[-1] - made.truth[0]))
        for share in (0.6, 0.75, 0.9):
            at = share * made.years[-1]
            rows = made.rows.head(int((made.years <= at).sum()))
            history = next(iter(histories(rows, no_notes(), use=pl.DataFrame())))
            found = assess(history, limit=limit).projection
            # what the season adds under the conditions that the date is for
            usual = history.adjusted.reference
            cold = (18 - usual["temperature_c"]) / 11
            course = made.truth + 1.2 * 0.1 * (cold + 0.15 * cold**2)
            course += 0.0012 * (usual["load_nm"] - 30)
            crossed = np.interp(limit, course, made.years, right=np.inf) - made.years[0]
            if crossed < at - made.years[0] or not np.isfinite(crossed):
                continue
            low, high = (np.inf if v is None else v for v in (found.low, found.high))
            held.append(low <= crossed <= high)
    assert len(held) >= 20
    # 90 % of these, less three standard deviations of as many histories
    assert np.mean(held) >= 0.9 - 3 * (0.09 / 14) ** 0.5


def test_a_bend_of_wear_is_not_taken_for_a_season():
    # Eight months: time, temperature and its square can stand in for a bend.
    made = unit(3, law="accelerating", sessions=400, years=0.7, growth=0.6, season=0.0, noise=0.01)
    limit = float(1.2 * (1 + 0.6 * (0.9 / 0.7) ** 2))  # reached after 0.9 years
    history = next(iter(histories(made.rows, no_notes(), use=pl.DataFrame())))
    found = assess(history, limit=limit).projection
    assert found.low <= 0.9 - made.years[0] <= found.high
    assert found.high - found.low < 0.25


def test_conditions_beside_the_law_keep_the_date():
    rng = np.random.default_rng(6)
    t = np.linspace(0, 2, 120)
    season = np.sin(2 * np.pi * t)[:, None]
    y = 1 + 0.3 * t + 0.4 * season[:, 0] + 0.02 * rng.normal(size=120)
    found = project(t, y, 1.9, conditions=season)
    assert found.median == pytest.approx(3.0, rel=0.05)
    blind = project(t, y, 1.9)
    assert (blind.high or 99) - blind.low > 3 * (found.high - found.low)


def test_a_section_has_its_own_level_and_the_last_one_counts():
    rng = np.random.default_rng(7)
    t = np.linspace(0, 2, 120)
    sections = (t > 1.5).astype(int)
    y = 1 + 0.3 * t - 0.3 * sections + 0.01 * rng.normal(size=120)
    found = project(t, y, 1.6, sections=sections)
    assert found.median == pytest.approx(3.0, rel=0.1)


def test_one_wild_session_does_not_move_the_date():
    t = np.linspace(0, 2, 100)
    y = 1 + 0.2 * t + 0.01 * np.random.default_rng(8).normal(size=100)
    wild = y.copy()
    wild[95] = 40.0
    assert project(t, wild, 1.6).median == pytest.approx(project(t, y, 1.6).median, rel=0.05)


@pytest.mark.parametrize("limit", [True, False])
def test_looks_back_hold_as_often_as_they_claim(limit):
    held = []
    for seed in range(12):
        made = unit([seed, 79], law="linear", growth=0.5, sessions=150, noise=0.03)
        level = float(1.2 * 1.4)
        if not limit:
            history = next(iter(histories(made.rows, no_notes(), use=pl.DataFrame())))
            level = level_reached(history.adjusted.values, "up")
            assert 1.2 * 1.3 < level < 1.2 * 1.5
        stands = project_from_the_past(made.rows, no_notes(), level, of_limit=limit)
        assert {s.of_limit for s in stands} <= {limit}
        assert all(s.at < s.crossed for s in stands)
        held += stands
    found = coverage(held)
    assert found.stands >= 40
    assert found.share >= 0.9 - 3 * (0.09 / 12) ** 0.5


def test_levels_fall_where_falling_is_worse():
    values = np.linspace(50.0, 20.0, 40)
    assert level_reached(values, "down") == pytest.approx(26.0, abs=1.5)
    assert level_reached(values, "up") is None


def test_the_true_crossing_is_found_again_in_a_whole_history():
    made = unit(5, law="linear", growth=0.5, sessions=300, season=0.0, noise=0.02, missing=False)
    when = crossing(made.years, made.rows["value"].to_numpy(), 1.2 * 1.25, "up")
    assert when == pytest.approx(1.0, abs=0.12)
    assert crossing(made.years, made.rows["value"].to_numpy(), 9.0, "up") is None


def test_the_fan_reaches_the_limit_where_the_interval_does():
    rng = np.random.default_rng(4)
    t = np.linspace(0.0, 2.0, 60)
    found = project(t, 1.0 + 0.3 * t + rng.normal(0, 0.02, 60), 2.2)
    assert found.word == "projected"
    at, low, middle, high = (np.array(v) for v in zip(*found.fan, strict=True))
    assert at[0] == pytest.approx(2.0)
    assert (low <= middle).all()
    assert (middle <= high).all()
    assert np.ptp([low[-1], high[-1]]) > np.ptp([low[0], high[0]])  # it opens
    crossing = np.interp(2.2, middle, at)
    assert crossing == pytest.approx(found.median, rel=0.05)
    falling = project(t, 3.0 - 0.3 * t + rng.normal(0, 0.02, 60), 1.8, worse="down")
    assert falling.fan[-1][2] < falling.fan[0][2]
