"""Variances drawn together: by the law they were drawn from (Smyth 2004, section 6)."""

import numpy as np
import pytest
from scipy.special import polygamma

from replay.statistics.moderation import moderated


def test_alike_variances_are_told_as_one():
    rng = np.random.default_rng(1)
    own = 2.0 * rng.chisquare(11, (200, 7)) / 11
    drawn = np.array([moderated(row[:, None], 11)[:, 0] for row in own])
    assert np.mean((np.log(drawn / 2.0)) ** 2) < 0.35 * np.mean((np.log(own / 2.0)) ** 2)


def test_unlike_variances_keep_what_they_showed():
    own = np.array([[1e-4], [1e-2], [1.0], [100.0], [1e4]])
    assert moderated(own, 11) == pytest.approx(own, rel=1.1)


def test_the_weight_of_the_common_one_is_that_of_the_law_they_came_from():
    # s0² = 3 with d0 = 8: true variances d0 s0² / chi²(d0), each measured with d = 10
    rng = np.random.default_rng(2)
    true = 8 * 3.0 / rng.chisquare(8, 20_000)
    own = true * rng.chisquare(10, true.size) / 10
    drawn = moderated(own[:, None], 10)[:, 0]
    assert drawn == pytest.approx((8 * 3.0 + 10 * own) / 18, rel=0.05)


def test_a_unit_that_showed_nothing_has_the_common_variance_or_stays_unknown():
    made = moderated(np.array([[1.0], [1.1], [0.9], [np.nan]]), 11)[:, 0]
    assert made[3] == pytest.approx(made[0])
    assert np.isnan(moderated(np.array([[1.0], [np.nan]]), 11)[1, 0])  # two tell no law


def test_units_that_lie_hardly_further_apart_than_chance_are_one():
    # scaled until the law's degrees of freedom would be beyond any search
    rng = np.random.default_rng(3)
    ln = rng.normal(size=6)
    ln = (ln - ln.mean()) / ln.std(ddof=1)
    for beyond in (1e-9, 1e-7, 1e-5, 1e-3):
        apart = np.sqrt(polygamma(1, 5.5) + beyond)
        made = moderated(np.exp(ln * apart)[:, None], 11)[:, 0]
        assert np.isfinite(made).all()
        assert np.ptp(np.log(made)) < 0.05


def test_a_unit_that_few_sessions_told_is_drawn_in_further():
    own = np.exp(np.array([[-1.5], [-0.5], [0.0], [0.5], [1.5]]))
    alike = moderated(own, 11.0)[4, 0]
    fewer = moderated(own, np.array([11.0, 11.0, 11.0, 11.0, 2.0]))[4, 0]
    assert np.log(fewer) < 0.8 * np.log(alike)
