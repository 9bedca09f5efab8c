"""The fit underneath friction, on certified regression data.

Data and certified values: NIST Statistical Reference Datasets (Norris, Misra1a, MGH17).
"""

from __future__ import annotations

import numpy as np
import pytest

from replay.models.friction_tables.separable import covariance, linear_fit, separable_fit


def numbers(text: str) -> np.ndarray:
    return np.array([float(w) for w in text.split()])


def test_norris_straight_line():
    x = numbers(
        ".2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 .4 .6 775.5 666.9 338.0"
        " 447.5 11.6 556.0 228.1 995.8 887.6 120.2 .3 .3 556.8 339.1 887.2 999.0 779.0 11.1 118.3"
        " 229.2 669.1 448.9 .5"
    )
    y = numbers(
        ".1 338.8 118.1 888 9.2 228.1 668.5 998.5 449.1 778.9 559.2 .3 .1 778.1 668.8 339.3 448.9"
        " 10.8 557.7 228.3 998 888.8 119.6 .3 .6 557.6 339.3 888 998.5 778.9 10.2 117.6 228.9 668.4"
        " 449.2 .2"
    )
    design = np.stack([np.ones_like(x), x], axis=1)
    fit = linear_fit(design, y, robust=False)
    assert fit.coefficients == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-10)
    errors = np.sqrt(np.diag(covariance(design, fit)))
    assert errors == pytest.approx([0.232818234301152, 0.000429796848199937], rel=1e-9)


def test_misra1a_one_nonlinear_parameter():
    x = numbers(
        "77.6 114.9 141.1 190.8 239.9 289.0 332.8 378.4 434.8 477.3 536.8 593.1 689.1 760.0"
    )
    y = numbers(
        "10.07 14.73 17.94 23.93 29.61 35.18 40.02 44.82 50.76 55.05 61.01 66.40 75.47 81.78"
    )
    fit = separable_fit(
        lambda theta: 1 - np.exp(-theta[0] * x)[:, None],
        y,
        [np.geomspace(1e-5, 1e-2, 25)],
        robust=False,
    )
    assert fit.linear.coefficients[0] == pytest.approx(238.94212918, rel=1e-6)
    assert fit.nonlinear[0] == pytest.approx(5.5015643181e-04, rel=1e-6)
    assert fit.linear.loss == pytest.approx(1.2455138894e-01, rel=1e-9)
    assert fit.standard_errors == pytest.approx([2.7070075241, 7.2668688436e-06], rel=1e-4)


def test_mgh17_two_exponentials_from_a_grid_that_knows_nothing():
    # from the far start a general optimiser returns that start, without an error
    x = np.arange(0, 330, 10.0)
    y = numbers(
        ".844 .908 .932 .936 .925 .908 .881 .850 .818 .784 .751 .718 .685 .658 .628 .603 .580 .558"
        " .538 .522 .506 .490 .478 .467 .457 .448 .438 .431 .424 .420 .414 .411 .406"
    )

    def design(theta: np.ndarray) -> np.ndarray:
        return np.stack([np.ones_like(x), np.exp(-theta[0] * x), np.exp(-theta[1] * x)], axis=1)

    grid = np.geomspace(1e-3, 1.0, 14)
    fit = separable_fit(design, y, [grid, grid * 1.07], robust=False)
    order = np.argsort(fit.nonlinear)
    slow, fast = fit.nonlinear[order]
    b1, *rest = fit.linear.coefficients
    assert fit.linear.loss == pytest.approx(5.4648946975e-05, rel=1e-6)
    assert (slow, fast) == pytest.approx((0.012867534640, 0.022122699662), rel=1e-4)
    assert b1 == pytest.approx(0.37541005211, rel=1e-4)
    assert np.array(rest)[order] == pytest.approx([1.9358469127, -1.4646871366], rel=1e-3)
    errors = fit.standard_errors
    assert errors[0] == pytest.approx(2.0723153551e-03, rel=1e-2)
    assert errors[3:][order] == pytest.approx([4.4861358114e-04, 8.9471996575e-04], rel=1e-2)
    assert fit.at_edge == (False, False)
