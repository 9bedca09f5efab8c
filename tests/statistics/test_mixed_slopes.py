"""A slope beside conditions and shared offsets, against the full matrices and by simulation."""

import numpy as np
import pytest

from replay.statistics.mixed_model import Steps
from replay.statistics.mixed_slopes import POSSIBILITIES, Known, mixed_fit
from replay.statistics.shared_offsets import SHARES, STAYS

NONE = np.zeros((40, 0))


def series(seed, n=40):
    rng = np.random.default_rng(seed)
    t = np.linspace(0, 1, n)
    return t, rng.normal(size=n), rng.normal(size=n)


def test_a_certain_offset_gives_the_error_of_the_full_matrices():
    t, y, x = series(0)
    place = 1 + 1 * len(SHARES) + 2
    share, stay = SHARES[2], STAYS[1] / 39
    chances = np.eye(POSSIBILITIES)[place]
    levels, conditions = np.ones((40, 1)), x[:, None]
    # values of so small a spread are brought in by nothing: residuals stay within Huber's bound
    y = np.sign(y) * 0.5 + 2 * t + 0.3 * x
    found = mixed_fit(t, y, levels, NONE, conditions, chances=chances)
    covariance = np.eye(40) + share / (1 - share) * np.exp(-np.abs(t[:, None] - t) / stay)
    inverse = np.linalg.inv(covariance)
    design = np.column_stack([np.ones(40), t, x])
    normal = np.linalg.inv(design.T @ inverse @ design)
    solution = normal @ design.T @ inverse @ y
    left = y - design @ solution
    variance = left @ inverse @ left / (40 - 3)
    along = (t - t.mean()) / ((t - t.mean()) @ t)
    effect = normal[2] @ design.T @ inverse
    linear = along - (along @ x) * effect
    assert found.effects[0] == pytest.approx(solution[2], rel=1e-5)
    assert found.slope == pytest.approx(linear @ y, rel=1e-5)
    error = (variance * linear @ covariance @ linear) ** 0.5
    assert found.errors[found.weights.argmax()] == pytest.approx(error, rel=1e-5)


def test_a_bend_of_the_course_is_no_error_of_its_slope():
    t, noise, _ = series(1)
    x = t - t.mean()
    bent = t**3 + 0.01 * noise
    course = np.column_stack([x**2, x**3])
    found = mixed_fit(t, bent, np.ones((40, 1)), course, NONE)
    low, high = found.interval(0.9)
    assert low < np.polyfit(t, t**3, 1)[0] < high
    assert high - low < 0.03


def test_what_others_know_of_a_condition_frees_the_slope():
    t, noise, x = series(2)
    season = t + 0.1 * x  # mostly the course of time itself
    y = 3 * season + 0.1 * noise
    levels = np.ones((40, 1))
    alone = mixed_fit(t, y, levels, NONE, season[:, None])
    told = mixed_fit(
        t, y, levels, NONE, season[:, None], known=Known(np.array([3.0]), np.array([[1e6]]))
    )
    assert told.errors[0] < 0.4 * alone.errors[0]
    assert told.effects[0] == pytest.approx(3.0, abs=0.01)


def test_one_wild_value_moves_a_slope_little():
    t, noise, _ = series(3)
    y = t + 0.05 * noise
    wild = y.copy()
    wild[-2] += 50.0
    tame, found = (mixed_fit(t, v, np.ones((40, 1)), NONE, NONE) for v in (y, wild))
    assert found.slope == pytest.approx(tame.slope, abs=0.05)


def test_a_step_is_weighed_against_none():
    t, noise, _ = series(4, n=80)
    steps = Steps((t >= t[40]).astype(float)[:, None], spread=1.0, chance=0.01)
    levels, nothing = np.ones((80, 1)), np.zeros((80, 0))

    def fits(y):
        plain = mixed_fit(t, y, levels, nothing, nothing)
        parted = mixed_fit(t, y, np.column_stack([1 - steps.columns, steps.columns]),
                           nothing, nothing)  # fmt: skip
        return plain, parted, mixed_fit(t, y, levels, nothing, nothing, steps=steps)

    plain, parted, both = fits(0.2 * t - steps.columns[:, 0] + 0.05 * noise)
    assert both.slope == pytest.approx(parted.slope, abs=0.01)
    assert plain.slope < -1
    plain, parted, both = fits(0.2 * t + 0.05 * noise)
    assert both.slope == pytest.approx(plain.slope, abs=0.005)
    assert abs(parted.slope - plain.slope) > 0.015


@pytest.mark.parametrize("n", [10, 60])
def test_intervals_of_independent_values_hold_as_they_claim(n):
    held = []
    for k in range(150):
        rng = np.random.default_rng([k, n])
        t = np.sort(rng.uniform(0, 1, n))
        found = mixed_fit(t, rng.normal(size=n), np.ones((n, 1)), np.zeros((n, 0)),
                          np.zeros((n, 0)))  # fmt: skip
        low, high = found.interval(0.9)
        held.append(low <= 0 <= high)
    assert 0.84 <= np.mean(held) <= 0.97


@pytest.mark.parametrize("n", [9, 20])
def test_a_short_history_may_lie_in_two_stretches(n):
    """What stays for eight sessions is possible where there are hardly more of them."""
    rng = np.random.default_rng(8)
    held, certain = [], []
    eight, none = np.zeros(POSSIBILITIES), np.zeros(POSSIBILITIES)
    none[0] = 1.0
    eight[1 + list(STAYS).index(8.0) * len(SHARES) + list(SHARES).index(0.4)] = 1.0
    for _ in range(60):
        t, levels = np.arange(n, dtype=float), np.ones((n, 1))
        shared = np.exp(-np.abs(t[:, None] - t) / 8.0)
        y = rng.multivariate_normal(np.zeros(n), 0.6 * np.eye(n) + 0.4 * shared)
        for chances, into in ((eight, held), (none, certain)):
            found = mixed_fit(t, y, levels, NONE[:n], NONE[:n], chances=chances)
            low, high = found.interval(0.9)
            into.append(low < 0 < high)
    assert np.isfinite(found.log_likelihoods[eight > 0])
    # of 60 with a chance of 0.9, 47 or fewer are met once in 400 tries
    assert sum(held) > 47
    assert sum(certain) < sum(held)


def test_a_few_sessions_keep_their_noise_beside_a_condition():
    """Seven sessions, four effects that are smaller than they might be."""
    rng = np.random.default_rng(9)
    known = Known(np.zeros(3), np.eye(3) / 0.15**2)
    held = []
    for _ in range(100):
        t, conditions = np.sort(rng.uniform(size=7)), rng.normal(size=(7, 3))
        y = 1.0 + 0.02 * rng.normal(size=7) + conditions @ (0.02 * rng.normal(size=3))
        found = mixed_fit(t, y, np.ones((7, 1)), NONE[:7], conditions, known=known)
        low, high = found.interval(0.9)
        held.append(low < 0 < high)
    # of 100 with a chance of 0.9, 82 or fewer are met once in 150 tries
    assert sum(held) > 82
