"""Calibration arithmetic against published numbers."""

import numpy as np
import pytest

from replay.checks.likelihood import Noise, Terms, stretch
from replay.statistics.false_discovery import adjusted_p_values
from replay.statistics.rates import rate_bound, rate_interval

# Benjamini and Hochberg, J. Royal Statistical Society B 57(1), 1995, the 15 p-values of section 3.2
P_1995 = np.loadtxt(
    [
        "0.0001 0.0004 0.0019 0.0095 0.0201 0.0278 0.0298 0.0344"
        " 0.0459 0.324 0.4262 0.5719 0.6528 0.759 1.0"
    ]
)


@pytest.mark.parametrize(("level", "count"), [(0.05, 4), (0.10, 9)])
def test_benjamini_hochberg_rejects_as_published(level, count):
    assert (adjusted_p_values(P_1995) <= level).sum() == count


def test_benjamini_hochberg_adjusted_values():
    # the same source; adjusted values recomputed independently of this code
    expected = [0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645, 0.0765]
    np.testing.assert_allclose(adjusted_p_values(P_1995)[:9], expected, atol=5e-7)


def test_adjusted_values_do_not_depend_on_the_order():
    order = np.random.default_rng(1).permutation(15)
    np.testing.assert_allclose(adjusted_p_values(P_1995[order]), adjusted_p_values(P_1995)[order])


def test_zero_false_flags_in_299_runs_show_one_percent():
    # exact binomial: 0 in 299 shows a rate of at most 1 % at 95 %; Poisson is a little wider
    assert 1 - 0.05 ** (1 / 299) <= 0.01 < 1 - 0.05 ** (1 / 298)
    assert rate_bound(0, 299.6, confidence=0.95) == pytest.approx(0.01, rel=1e-3)


def test_exact_poisson_interval():
    # Garwood, Biometrika 28, 1936: 95 % interval for 10 events is 4.795 to 18.39
    low, high = rate_interval(10, 1.0, confidence=0.95)
    assert (low, high) == (pytest.approx(4.795, abs=1e-3), pytest.approx(18.39, abs=1e-2))


def test_the_shift_is_found_where_the_cusum_chart_starts_to_rise():
    # NIST/SEMATECH e-Handbook 6.3.2.3: target 325, k 0.3175; the high sum is zero up to sample 12
    x = np.loadtxt(
        [
            "324.925 324.675 324.725 324.35 325.35 325.225 324.125 324.525"
            " 325.225 324.6 324.625 325.15 328.325 327.25 327.825 328.5"
            " 326.675 327.775 326.875 328.35"
        ]
    )
    # a shift of 2 k is what a sum with reference value k looks for
    part = Terms(x - 325, np.ones(20), np.zeros(20))
    first, stop = stretch(part, 2 * 0.3175, Noise((1.0,), 0.0), 13, 16)
    assert (first + 1, stop) == (13, 20)
