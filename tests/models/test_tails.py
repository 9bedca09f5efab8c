import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from replay.models.baselines import limit_for
from replay.models.expected import ExpectedCurrent
from replay.models.held_out import HeldOut
from replay.models.surprises import fit_rarity
from replay.models.symptoms import Nominal
from replay.models.tails import Tail


@pytest.mark.parametrize(("trust", "inside"), [("low", 3.0), ("middle", 1.0), ("high", 0.3)])
def test_an_exponential_law_gives_its_rate_back_and_is_never_thought_lighter(trust, inside):
    # maxima of a Poisson stream of exponential sizes are Gumbel: rate above u is 30 exp(-u)
    rng = np.random.default_rng(3)
    hours = 0.25
    maxima = -np.log(-np.log(rng.uniform(size=4000)) / (30 * hours))
    tail = Tail.fit(maxima, hours, trust=trust)
    assert tail.value(inside) == pytest.approx(np.log(30 / inside), abs=0.15)
    for wanted in (inside / 30, inside / 100):  # beyond, it is heavier on purpose
        assert 0 < tail.value(wanted) - np.log(30 / wanted) < 2.0


def blocks(rng, hours, count, detectors, units=7, sessions=40):
    """Return held-out block maxima of detectors that do not know of each other."""
    made = {}
    for unit in range(units):
        size = count // units
        one = HeldOut([], [], Nominal(), (), ExpectedCurrent(), [])
        one.block_hours = np.full(size, hours)
        one.block_session = [f"s{k % sessions}" for k in range(size)]
        one.maxima = {
            f"d{k}": np.maximum(-np.log(-np.log(rng.uniform(size=size)) / (30 * hours)), 0.0)
            for k in range(detectors)
        }
        made[f"U{unit}"] = one
    return made


def test_many_detectors_together_keep_the_asked_rate():
    hours, detectors = 0.133, 25
    found, total = np.zeros(2), 0.0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        rarity = fit_rarity(blocks(rng, hours, 280, detectors), trust="high")
        for fresh in blocks(rng, hours, 7000, detectors).values():
            rate = np.min([rarity.rate(n, v) for n, v in fresh.maxima.items()], axis=0)
            score = rarity.score(rate)
            found += [np.sum(score >= limit_for(asked)) for asked in (1.0, 10.0)]
            total += fresh.block_hours.sum()
    measured = 100 * found / total
    assert 0.5 < measured[0] < 2.0
    assert 5.0 < measured[1] < 20.0


def test_a_few_faulty_blocks_hardly_move_the_first_limit():
    rng = np.random.default_rng(4)
    maxima = -np.log(-np.log(rng.uniform(size=400)) / 5)
    clean = Tail.fit(maxima, 0.25, trust="low").value(0.1)
    spoiled = maxima.copy()
    spoiled[:12] += 40.0  # one joint of seven in a fifth of the sessions
    assert Tail.fit(spoiled, 0.25, trust="low").value(0.1) < clean + 2.0
    assert Tail.fit(spoiled, 0.25, trust="high").value(0.1) > clean + 10.0


def test_nothing_seen_and_nothing_said():
    tail = Tail.fit(np.zeros(50), 0.2, trust="high")
    assert tail.rate(0.0) > 100  # no finding is no event
    assert tail.rate(5.0) < 0.001


@given(
    st.floats(0.01, 10), st.floats(0.05, 5), st.floats(0, 0.4), st.floats(0, 20), st.floats(0, 20)
)
def test_rate_falls_with_size(base, scale, shape, a, b):
    tail = Tail(1.0, base, scale, shape)
    low, high = sorted((a + 1e-6, b + 1e-6))
    assert tail.rate(high) <= tail.rate(low)


@given(st.floats(0.05, 5), st.floats(0, 0.4), st.floats(1e-6, 0.5))
def test_value_inverts_rate(scale, shape, wanted):
    tail = Tail(1.0, 1.0, scale, shape)
    assert tail.rate(tail.value(wanted)) == pytest.approx(wanted, rel=1e-6)


def test_a_steep_law_is_not_followed_far_beyond_the_blocks():
    rng = np.random.default_rng(5)
    hours = 0.1
    maxima = -np.log(-np.log(rng.uniform(size=600)) / (5 * hours)) / (1.6 * np.log(10))
    tail = Tail.fit_rarity(maxima, hours, trust="high")
    seen = tail.value(0.06)  # about the largest of the 600
    assert tail.knee is not None
    assert tail.knee > seen
    assert tail.rate(seen) / tail.rate(seen + 0.3) == pytest.approx(10**0.48, rel=0.25)
    assert tail.rate(tail.knee + 1.0) / tail.rate(tail.knee + 2.0) == pytest.approx(10.0)
    for wanted in (1.0, 0.01, 1e-4, 1e-8):
        assert tail.rate(tail.value(wanted)) == pytest.approx(wanted, rel=1e-6)
