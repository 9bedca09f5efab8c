"""What offsets that neighbours share cost a slope, against algebra and against simulation."""

import numpy as np
import pytest

from replay.statistics.autocorrelation import memory_factor
from replay.statistics.mixed_model import Model, Offset
from replay.statistics.mixed_slopes import mixed_fit
from replay.statistics.shared_offsets import LEAST, offset_precision


def test_the_restricted_likelihood_is_that_of_the_full_matrices():
    rng = np.random.default_rng(0)
    n, stay, ratio = 40, 0.1, 0.7
    t, own = np.sort(rng.uniform(0, 1, n)), rng.uniform(0.5, 2, n)
    design, y = np.column_stack([np.ones(n), t]), rng.normal(size=n)
    covariance = np.diag(own) + ratio * np.exp(-np.abs(t[:, None] - t) / stay)
    inverse = np.linalg.inv(covariance)
    information = design.T @ inverse @ design
    left = y - design @ np.linalg.solve(information, design.T @ inverse @ y)
    expected = (
        (n - 2) * np.log(left @ inverse @ left)
        + np.linalg.slogdet(covariance)[1]
        + np.linalg.slogdet(information)[1]
    )
    model = Model(design, y, own, np.zeros((2, 2)), t - t.mean(), 2, 1.0)
    offset = Offset(*offset_precision(np.diff(t), stay), ratio)
    found = model.fitted([offset]).log_likelihood
    assert -2 * found[1] == pytest.approx(expected, rel=1e-7)


def fitted(t, y, sections=None):
    """Return the fit of a bending course with a level for each section."""
    own = np.zeros(len(t)) if sections is None else sections
    levels = (own[:, None] == np.unique(own)[None, :]).astype(float)
    x = (t - t.mean()) / np.ptp(t)
    return mixed_fit(t, y, levels, (x * x)[:, None], np.zeros((len(t), 0)))


def slopes(share, count=60, n=200):
    """Return squared slopes in units of independent values' variance, and both factors."""
    squares, factors, by_neighbours = [], [], []
    for k in range(count):
        rng = np.random.default_rng([k, 5])
        t = np.sort(rng.uniform(0, 2, n))
        stretch = np.cumsum(rng.random(n) < 0.1)
        offset = rng.normal(size=stretch[-1] + 1)[stretch]
        y = share**0.5 * offset + (1 - share) ** 0.5 * rng.normal(size=n)
        x = t - t.mean()
        design = np.column_stack([np.ones(n), x, x * x])
        left = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
        squares.append((x @ y) ** 2 / (x @ x) / (left @ left / (n - 3)))
        factors.append(fitted(t, y).offset_factor)
        by_neighbours.append(memory_factor(left, parameters=3))
    return np.array(squares), np.array(factors), np.array(by_neighbours)


def test_an_offset_of_a_stretch_is_paid_for():
    squares, factors, by_neighbours = slopes(0.3)
    held = np.mean(squares < 1.645**2 * factors)
    assert np.mean(squares < 1.645**2 * by_neighbours) < 0.7
    assert held > 0.8
    assert np.mean(factors) == pytest.approx(np.mean(squares), rel=0.4)


def test_values_that_share_nothing_pay_little():
    squares, factors, _ = slopes(0.0, count=160)
    assert 0.85 < np.mean(squares < 1.645**2 * factors) < 0.96
    assert np.mean(factors) < 1.25
    assert factors.min() >= 1.0


def test_few_values_say_nothing_of_offsets():
    t = np.arange(LEAST - 1.0)
    assert fitted(t, np.sin(t)).offset_factor == 1.0


def test_rounding_alone_is_no_offset():
    t = np.linspace(0, 3, 60)
    left = (1.7 + 0.3 * t) - 0.3 * t - 1.7
    assert 1.0 <= fitted(t, left).offset_factor < 10


def test_each_section_may_have_its_own_level():
    rng = np.random.default_rng(5)
    t, sections = np.arange(200.0), np.arange(200) >= 100
    noise = rng.normal(size=200)
    apart = fitted(t, noise + 5.0 * sections, sections)
    assert apart.offset_factor == pytest.approx(fitted(t, noise, sections).offset_factor, rel=1e-4)
