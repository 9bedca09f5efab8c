import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from replay.statistics.autocorrelation import memory_factor
from replay.statistics.false_discovery import adjusted_p_values
from replay.statistics.slopes import between_variance


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


@settings(max_examples=40)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=40))
def test_adjusted_p_values_equal_scipy(p_values):
    theirs = scipy.stats.false_discovery_control(p_values, method="bh")
    assert adjusted_p_values(p_values) == pytest.approx(theirs)
