import numpy as np
import pymannkendall
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from replay.statistics.false_discovery import adjusted_p_values
from replay.statistics.ranks import mann_kendall, memory_factor
from replay.statistics.slopes import between_variance, theil_sen

levels = st.lists(st.integers(-50, 50), min_size=10, max_size=60)


@settings(max_examples=60)
@given(levels)
def test_mann_kendall_equals_pymannkendall(values):
    ours = mann_kendall(values)
    theirs = pymannkendall.original_test(values)
    assert ours.s == theirs.s
    assert ours.variance == pytest.approx(theirs.var_s)
    assert ours.z == pytest.approx(theirs.z)
    assert ours.p_value == pytest.approx(theirs.p, abs=1e-12)


@pytest.mark.parametrize("memory", [0.0, 0.4, 0.8])
def test_a_factor_on_the_variance_counts_as_in_pymannkendall(memory):
    """Its Hamed and Rao test widens the same variance, and ours takes the factor as given."""
    rng = np.random.default_rng(7)
    values = np.zeros(80)
    for k in range(1, 80):
        values[k] = memory * values[k - 1] + rng.normal()
    values += 0.02 * np.arange(80)
    theirs = pymannkendall.hamed_rao_modification_test(values)
    plain = pymannkendall.original_test(values)
    ours = mann_kendall(values, variance_factor=theirs.var_s / plain.var_s)
    assert ours.variance == pytest.approx(theirs.var_s)
    assert ours.p_value == pytest.approx(theirs.p, abs=1e-12)


@settings(max_examples=60)
@given(levels, st.integers(0, 2**32 - 1), st.sampled_from([0.5, 0.9, 0.95]))
def test_theil_sen_equals_scipy(values, seed, confidence):
    times = np.random.default_rng(seed).integers(0, 40, len(values))
    if len(set(times)) < 3 or len(set(values)) < 3:
        return
    ours = theil_sen(times, values, confidence=confidence)
    theirs = scipy.stats.theilslopes(values, times, confidence, method="joint")
    assert ours.slope == pytest.approx(theirs.slope)
    assert ours.low == pytest.approx(theirs.low_slope)
    assert ours.high == pytest.approx(theirs.high_slope)
    assert ours.intercept == pytest.approx(theirs.intercept)


def test_equal_weights_change_nothing():
    rng = np.random.default_rng(1)
    t, y = np.arange(30.0), rng.normal(size=30)
    assert theil_sen(t, y, weights=np.full(30, 0.2)) == theil_sen(t, y)


def test_a_weighted_slope_listens_to_the_sure_values():
    rng = np.random.default_rng(2)
    t = np.arange(60.0)
    se = np.where(np.arange(60) % 2, 0.1, 3.0)
    error, weighted_error = [], []
    for _ in range(60):
        y = 0.05 * t + rng.normal(size=60) * se
        error.append(theil_sen(t, y).slope - 0.05)
        weighted_error.append(theil_sen(t, y, weights=1 / se**2).slope - 0.05)
    assert np.std(weighted_error) < 0.6 * np.std(error)


def test_sections_take_a_step_out_of_the_slope():
    t = np.arange(40.0)
    sections = (t >= 20).astype(int)
    y = 0.1 * t - 5.0 * sections
    assert theil_sen(t, y).slope < 0
    assert theil_sen(t, y, sections=sections).slope == pytest.approx(0.1)
    assert mann_kendall(y, t, sections=sections).s == 2 * (20 * 19 / 2)


def test_one_instant_has_no_slope():
    assert theil_sen([3.0, 3.0], [1.0, 2.0]) is None


def test_memory_is_found_and_its_absence_costs_little():
    rng = np.random.default_rng(3)
    white = [memory_factor(rng.normal(size=200)) for _ in range(100)]
    assert np.median(white) == 1.0
    long = np.zeros(4000)
    for k in range(1, 4000):
        long[k] = 0.5 * long[k - 1] + rng.normal()
    assert memory_factor(long) == pytest.approx(3.0, rel=0.2)  # (1 + .5) / (1 - .5)


def test_between_variance_is_what_the_errors_do_not_explain():
    rng = np.random.default_rng(4)
    se = rng.uniform(0.1, 0.3, 3000)
    e = rng.normal(0, np.hypot(se, 0.5))
    assert between_variance(e, se) == pytest.approx(0.25, rel=0.15)
    assert between_variance(rng.normal(0, 0.5 * se), se) == 0.0


@pytest.mark.parametrize("period", [4, 12])
def test_sections_equal_the_seasons_of_pymannkendall(period):
    rng = np.random.default_rng(9)
    values = rng.integers(0, 30, 10 * period) + np.repeat(np.arange(10), period)
    theirs = pymannkendall.seasonal_test(values, period=period)
    ours = mann_kendall(values, sections=np.arange(len(values)) % period)
    assert ours.s == theirs.s
    assert ours.variance == pytest.approx(theirs.var_s)
    assert ours.z == pytest.approx(theirs.z)
    assert ours.p_value == pytest.approx(theirs.p, abs=1e-12)
    slope = theil_sen(np.arange(len(values)), values, sections=np.arange(len(values)) % period)
    assert slope.slope * period == pytest.approx(theirs.slope)


@settings(max_examples=40)
@given(levels)
def test_slope_and_intercept_equal_pymannkendall(values):
    theirs = pymannkendall.sens_slope(values)
    ours = theil_sen(np.arange(len(values)), values)
    assert ours.slope == pytest.approx(theirs.slope)
    # It takes the median of the values less the slope times the median time.
    middle = np.median(values) - ours.slope * np.median(np.arange(len(values)))
    assert middle == pytest.approx(theirs.intercept)


@settings(max_examples=40)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=40))
def test_adjusted_p_values_equal_scipy(p_values):
    theirs = scipy.stats.false_discovery_control(p_values, method="bh")
    assert adjusted_p_values(p_values) == pytest.approx(theirs)
