"""Wear statistics against published worked examples; the source stands beside each."""

import numpy as np
import pytest

from replay.statistics.false_discovery import adjusted_p_values
from replay.wear.assessment.control_charts import cusum, ewma, moving_range_sigma

# NIST/SEMATECH e-Handbook 6.3.2.4
EWMA_X = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
]  # fmt: skip
EWMA_Z = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
]  # fmt: skip


def test_ewma_of_the_handbook():
    chart = ewma(EWMA_X, target=50, sigma=2.0539, weight=0.3, k=3)
    assert chart.statistic == pytest.approx(EWMA_Z, abs=0.0051)
    # The page rounds sqrt(0.3 / 1.7) to 0.4201.
    assert chart.high == pytest.approx(np.full(20, 52.5884), abs=2e-4)
    assert chart.low == pytest.approx(np.full(20, 47.4115), abs=2e-4)
    assert not len(chart.signals)


def test_ewma_start_up_limit_of_the_first_value_is_lambda_k_sigma():
    # NIST/SEMATECH 6.3.2.4: variance times 1-(1-lambda)^(2t), so lambda at t = 1
    chart = ewma(EWMA_X, target=50, sigma=2.0539, weight=0.3, k=3, start_up=True)
    assert chart.high[0] == pytest.approx(50 + 3 * 2.0539 * 0.3)
    assert chart.high[-1] == pytest.approx(52.588432, abs=1e-3)


def test_cusum_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.3
    x = [
        324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
        324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
    ]  # fmt: skip
    chart = cusum(x, target=325, k=0.3175, h=4.1959)
    assert chart.upper[:12] == pytest.approx([0, 0, 0, 0, 0.0325, 0, 0, 0, 0, 0, 0, 0], abs=1e-9)
    assert chart.upper[12:] == pytest.approx(
        [3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035]
    )
    assert chart.lower[:12] == pytest.approx(
        [0, 0.0075, 0, 0.3325, 0, 0, 0.5575, 0.7150, 0.1725, 0.2550, 0.3125, 0], abs=1e-9
    )
    assert chart.signals[0] + 1 == 14


def test_individuals_chart_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.2
    values = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    sigma = moving_range_sigma(values)
    assert np.mean(values) + 3 * sigma == pytest.approx(55.8041, abs=5e-5)
    assert np.mean(values) - 3 * sigma == pytest.approx(45.8159, abs=5e-5)
    assert moving_range_sigma(values[:1]) == 0.0


# Benjamini and Hochberg 1995, the fifteen p-values of their example
BH_P = [
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240,
    0.4262, 0.5719, 0.6528, 0.7590, 1.0000,
]  # fmt: skip


def test_benjamini_hochberg_example():
    adjusted = adjusted_p_values(BH_P)
    assert adjusted == pytest.approx(
        [
            0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645, 0.0765, 0.486,
            0.581182, 0.714875, 0.753231, 0.813214, 1.0,
        ],
        abs=1e-6,
    )  # fmt: skip
    assert (adjusted <= 0.05).sum() == 4
    assert (adjusted <= 0.10).sum() == 9
    assert (np.array(BH_P) <= 0.05 / 15).sum() == 3  # Bonferroni, for the contrast


def test_benjamini_hochberg_keeps_order_and_leaves_nan_out():
    shuffled = [*BH_P[::-1], np.nan]
    adjusted = adjusted_p_values(shuffled)
    assert adjusted[:-1] == pytest.approx(adjusted_p_values(BH_P)[::-1])
    assert np.isnan(adjusted[-1])
