"""Spreads and reweighted fits against the libraries that also have them."""

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import median_abs_deviation

from replay.statistics.noise import difference_noise, noise_of
from replay.statistics.regression import HUBER, huber, least_squares
from replay.statistics.runs import run_edges, runs
from replay.statistics.spread import MAD_TO_SD, error_of_median, median, spread, winsorized


def test_spread_is_scipys_median_absolute_deviation():
    values = np.random.default_rng(0).standard_t(3, 501)
    assert spread(values) == pytest.approx(median_abs_deviation(values, scale="normal"), rel=1e-9)
    assert spread([*values, np.nan]) == spread(values)
    assert np.isnan(spread([np.nan]))


def test_median_is_numpys_to_the_last_digit():
    rng = np.random.default_rng(7)
    for n in (1, 2, 3, 10, 401, 1000):
        values = rng.standard_t(2, n)
        before = values.copy()
        assert median(values) == np.median(values)
        assert np.array_equal(values, before)


def test_the_ratio_is_that_of_the_normal_law():
    from scipy.special import ndtri

    assert pytest.approx(1 / ndtri(0.75), rel=1e-15) == MAD_TO_SD


def test_error_of_a_median_is_what_resampling_shows():
    rng = np.random.default_rng(1)
    medians = np.median(rng.normal(size=(4000, 101)), axis=1)
    assert error_of_median(rng.normal(size=101)) == pytest.approx(medians.std(), rel=0.25)


def test_wild_values_are_brought_in_to_four_spreads():
    values = np.r_[np.random.default_rng(2).normal(5, 1, 200), 1e6, -1e6]
    tame = winsorized(values)
    assert np.abs(tame).max() == pytest.approx(4 * spread(values))
    assert tame[:200] == pytest.approx(values[:200] - np.median(values))


def line(rng, n=200):
    x = np.column_stack([np.ones(n), rng.normal(size=n)])
    return x, x @ [2.0, -1.0] + 0.1 * rng.standard_t(2.5, n)


def test_huber_is_where_hubers_loss_is_least():
    x, y = line(np.random.default_rng(3))
    fit = huber(x, y, rounds=200, settled=1e-12)

    def loss(beta):
        size = np.abs(y - x @ beta) / fit.scale
        inside = size <= HUBER
        return float(np.sum(np.where(inside, size**2 / 2, HUBER * size - HUBER**2 / 2)))

    least = minimize(loss, [0.0, 0.0], tol=1e-12)
    assert fit.coefficients == pytest.approx(least.x, abs=1e-5)


def test_weights_count_as_repeated_rows_do():
    x, y = line(np.random.default_rng(4), 40)
    twice = np.r_[0:40, 0:20]
    weights = np.r_[np.full(20, 2.0), np.ones(20)]
    assert least_squares(x, y, weights) == pytest.approx(least_squares(x[twice], y[twice]))


def test_levels_swept_out_are_levels_fitted():
    rng = np.random.default_rng(5)
    group = rng.integers(0, 4, 300)
    x = rng.normal(size=(300, 1))
    y = 3.0 * x[:, 0] + np.array([0.0, 5.0, -2.0, 9.0])[group] + 0.1 * rng.normal(size=300)
    dummies = np.column_stack([x, *(group == g for g in range(4))]).astype(float)
    swept = huber(x, y, levels=group, rounds=60, settled=1e-12)
    assert swept.coefficients[0] == pytest.approx(
        huber(dummies, y, rounds=60, settled=1e-12).coefficients[0], abs=1e-4
    )


def test_a_prior_pulls_as_its_precision_says():
    """With known noise the fit is the conjugate normal posterior."""
    rng = np.random.default_rng(6)
    x = np.column_stack([np.ones(30), rng.normal(size=30)])
    y = x @ [1.0, 0.5] + 0.01 * rng.normal(size=30)  # no residual reaches Huber's constant
    variance, prior = np.full(30, 0.25), np.diag([0.0, 16.0])
    fit = huber(x, y, 1 / variance, prior=prior, scale=1.0)
    precision = x.T @ x / 0.25 + prior
    assert fit.coefficients == pytest.approx(np.linalg.solve(precision, x.T @ y / 0.25), rel=1e-6)
    assert fit.covariance == pytest.approx(np.linalg.inv(precision), rel=1e-6)


@pytest.mark.parametrize("order", [2, 3])
def test_difference_noise_is_blind_to_smooth_motion(order):
    rng = np.random.default_rng(order)
    smooth = np.sin(np.linspace(0, 3, 5000))
    assert difference_noise(smooth + 0.02 * rng.normal(size=5000), order) == pytest.approx(
        0.02, rel=0.06
    )
    assert difference_noise(smooth[:2], order) == 0.0


def test_both_noise_estimators_agree_on_evenly_sampled_noise():
    values = np.random.default_rng(9).normal(0, 0.3, 6000)
    starts = np.zeros(6000, dtype=bool)
    assert noise_of(values, starts) == pytest.approx(difference_noise(values, 3), rel=0.1)


@pytest.mark.parametrize(
    ("flags", "found"),
    [([], []), ([0, 0], []), ([1], [(0, 1)]), ([1, 0, 1, 1], [(0, 1), (2, 4)])],
)
def test_runs(flags, found):
    flags = np.array(flags, dtype=bool)
    assert runs(flags) == found
    assert [e.tolist() for e in run_edges(flags)] == [[a for a, _ in found], [b for _, b in found]]
