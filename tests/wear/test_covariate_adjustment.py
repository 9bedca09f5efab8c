"""Sessions are brought to the same conditions, and what that costs is counted."""

import numpy as np
import pytest

from replay.wear.histories.covariate_adjustment import adjust
from replay.wear.histories.covariates import covariates_of

N = 60
TIMES = np.arange(N) * 7.0


def adjusted(times, values, conditions, *, sections=None, usual=None):
    made = covariates_of(times, conditions, sections=sections, usual=usual)
    return adjust(times, values, made, sections=sections)


def season(shift=0.0):
    return 20.0 + 10.0 * np.sin(2 * np.pi * TIMES / 365.0 + shift)


def noise(seed=0):
    return 0.01 * np.random.default_rng(seed).normal(size=N)


def test_a_season_is_taken_away_and_the_trend_stays():
    temperature = season()
    values = 1.0 + 0.001 * TIMES - 0.02 * (temperature - 20.0) + noise()
    found = adjusted(TIMES, values, {"temperature_c": temperature})
    assert found.terms == ("temperature_c",)
    slope = np.polyfit(TIMES, found.values, 1)[0]
    assert slope == pytest.approx(0.001, abs=3e-5)
    assert abs(np.corrcoef(found.values - slope * TIMES, temperature)[0, 1]) < 0.3
    # a sine of 10 deg at 0.02 A a degree
    assert found.effect["temperature_c"] == pytest.approx(0.2 / np.sqrt(2), rel=0.1)


def test_values_are_those_of_the_usual_conditions():
    temperature = season()
    values = 1.0 - 0.02 * (temperature - 20.0) + noise()
    plain = adjusted(TIMES, values, {"temperature_c": temperature})
    assert plain.reference["temperature_c"] == pytest.approx(np.median(temperature))
    cold = adjusted(TIMES, values, {"temperature_c": temperature}, usual={"temperature_c": 10.0})
    assert np.median(cold.values) == pytest.approx(1.2, abs=0.02)


def test_conditions_that_drift_with_time_cost_certainty():
    free = adjusted(TIMES, 1 + noise(), {"load_nm": np.random.default_rng(1).normal(size=N)})
    drifting = 100.0 + TIMES + 20.0 * np.random.default_rng(2).normal(size=N)
    bound = adjusted(TIMES, 1 + noise(), {"load_nm": drifting})
    share = np.corrcoef(TIMES, drifting)[0, 1] ** 2
    # (Belsley, Kuh, Welsch 1980); the noise is far smaller than what load may do
    assert bound.variance_factor == pytest.approx(1 / (1 - share), rel=0.1)
    assert free.variance_factor < 1.1
    assert bound.variance_factor > 5


def test_what_does_not_vary_or_is_hardly_known_is_no_condition():
    half_known = np.where(np.arange(N) < 0.4 * N, season(), np.nan)
    conditions = {"payload_kg": np.full(N, 100.0), "temperature_c": half_known}
    found = adjusted(TIMES, noise(), conditions)
    assert found.terms == ()
    assert np.array_equal(found.values, noise())
    assert found.variance_factor == 1.0


def test_a_spring_that_warms_steadily_leaves_a_short_history_in_doubt():
    """Eight sessions of two months: what warmth does and what time does look alike."""
    few, rng = 8, np.random.default_rng(3)
    warming = 10 + 1.5 * np.arange(few) + 0.2 * rng.normal(size=few)
    values = 1 - 0.01 * (warming - warming.mean()) + 0.005 * rng.normal(size=few)
    names = ("load_nm", "rate_deg_s")
    others = {name: rng.normal(size=few) for name in names}
    found = adjusted(TIMES[:few], values, {"temperature_c": warming} | others)
    assert found.terms == ("temperature_c",), "eight sessions do not bear more"
    assert found.variance_factor > 10


def test_nothing_is_known_of_an_effect_but_its_usual_size():
    """One kelvin is taken to do a per cent or two until the history itself says more."""
    few = slice(0, 8)
    temperature = season()
    values = 1.0 - 0.1 * (temperature - 20.0) + noise()
    short = adjusted(TIMES[few], values[few], {"temperature_c": temperature[few]})
    long = adjusted(TIMES, values, {"temperature_c": temperature})
    assert short.known.mean == pytest.approx(0.0)
    spread = np.std(temperature)
    assert long.effects[0] / spread == pytest.approx(-0.1, rel=0.05)


def test_a_level_of_its_own_is_not_taken_for_the_conditions():
    """A unit was replaced when it was cold: the step is the section's, not the temperature's."""
    sections = (np.arange(N) >= N // 2).astype(np.int64)
    temperature = season() - 8.0 * sections
    values = 1.0 - 0.02 * (temperature - 20.0) + 0.5 * sections + noise()
    found = adjusted(TIMES, values, {"temperature_c": temperature}, sections=sections)
    step = np.median(found.values[sections == 1]) - np.median(found.values[sections == 0])
    assert step == pytest.approx(0.5, abs=0.03)
