"""A line through brackets: it holds the truth, where the middles of what can be read do not."""

import numpy as np
import pytest

from replay.statistics.interval_censored import interval_regression

STEP = 0.02


def brackets(seed, *, growth, locked=False, start=0.012, noise=0.004):
    """Return times, bounds and groups of delays read on a clock of `STEP` seconds."""
    rng = np.random.default_rng(seed)
    group = np.repeat(np.arange(60), 3)
    t = np.sort(rng.uniform(0, 2, 60))[group]
    delay = np.maximum(start + growth * t + noise * rng.normal(size=len(t)), 1e-3)
    asked = np.zeros(len(t)) if locked else rng.uniform(0, STEP, len(t))
    seen = np.ceil((delay - asked) / STEP) * STEP
    return t, np.maximum(seen - STEP, 0), seen + STEP, group


def line(t, low, high, group):
    design = np.column_stack([np.ones(len(t)), t - t.mean()])
    return interval_regression(design, low, high, group)


@pytest.mark.parametrize("locked", [False, True])
def test_the_interval_holds_the_slope(locked):
    held = 0
    for seed in range(30):
        fit = line(*brackets([seed, locked], growth=0.02, start=0.06, locked=locked))
        error = fit.covariance[1, 1] ** 0.5
        held += abs(fit.coefficients[1] - 0.02) <= 1.67 * error
        assert fit.coefficients[1] > 3 * error
    assert held >= 24  # 90 % of 30, less two standard deviations


def test_brackets_that_reach_nought_count_too():
    t, low, high, group = brackets(3, growth=0.02)
    assert (low == 0).mean() > 0.3
    read = low > 0
    middles = np.polyfit(t[read], ((low + high) / 2)[read], 1)[0]
    assert middles < 0.013  # the mean of those that could be read hides the growth
    assert line(t, low, high, group).coefficients[1] == pytest.approx(0.02, abs=0.004)


def test_narrow_brackets_give_least_squares():
    rng = np.random.default_rng(1)
    t = np.linspace(-1, 1, 80)
    y = 0.3 + 0.5 * t + 0.1 * rng.normal(size=80)
    fit = line(t, y - 1e-4, y + 1e-4, np.arange(80))
    slope, level = np.polyfit(t, y, 1)
    assert fit.coefficients == pytest.approx([level, slope], rel=1e-3)
    rest = y - level - slope * t
    assert fit.scale == pytest.approx(np.std(rest), rel=1e-2)
    plain = np.sqrt(np.sum(rest**2) / 78 / np.sum(t**2))
    assert fit.covariance[1, 1] ** 0.5 == pytest.approx(plain, rel=0.25)
