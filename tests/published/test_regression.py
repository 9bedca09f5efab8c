"""Straight-line regression on certified data.

Data and certified values: NIST Statistical Reference Datasets, Norris.
"""

from __future__ import annotations

import numpy as np
import pytest

from replay.statistics.regression import huber, least_squares


def numbers(text: str) -> np.ndarray:
    return np.array([float(w) for w in text.split()])


X = numbers(
    ".2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 .4 .6 775.5 666.9 338.0"
    " 447.5 11.6 556.0 228.1 995.8 887.6 120.2 .3 .3 556.8 339.1 887.2 999.0 779.0 11.1 118.3"
    " 229.2 669.1 448.9 .5"
)
Y = numbers(
    ".1 338.8 118.1 888 9.2 228.1 668.5 998.5 449.1 778.9 559.2 .3 .1 778.1 668.8 339.3 448.9"
    " 10.8 557.7 228.3 998 888.8 119.6 .3 .6 557.6 339.3 888 998.5 778.9 10.2 117.6 228.9 668.4"
    " 449.2 .2"
)
INTERCEPT, SLOPE = -0.262323073774029, 1.00211681802045
INTERCEPT_SE, SLOPE_SE, SPREAD = 0.232818234301152, 0.000429796848199937, 0.884796396144373
DESIGN = np.stack([np.ones_like(X), X], axis=1)


def test_norris_straight_line():
    assert least_squares(DESIGN, Y) == pytest.approx([INTERCEPT, SLOPE], rel=1e-7)


def test_norris_standard_errors_where_no_residual_is_drawn_in():
    """Huber's weights are all one when the scale is ten of the data's own."""
    fit = huber(DESIGN, Y, scale=10 * SPREAD)
    assert fit.coefficients == pytest.approx([INTERCEPT, SLOPE], rel=1e-6)
    errors = np.sqrt(np.diag(fit.covariance)) / 10
    assert errors == pytest.approx([INTERCEPT_SE, SLOPE_SE], rel=1e-6)


def test_a_wild_value_in_ten_moves_the_line_by_less_than_its_error():
    wild = Y.copy()
    wild[::10] += 500.0
    plain, robust = least_squares(DESIGN, wild), huber(DESIGN, wild).coefficients
    assert abs(robust[1] - SLOPE) < 2 * SLOPE_SE
    assert abs(plain[1] - SLOPE) > 5 * SLOPE_SE
