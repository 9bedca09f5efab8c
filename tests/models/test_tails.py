import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from replay.models.tails import Tail


@pytest.mark.parametrize("trust", ["low", "middle", "high"])
def test_an_exponential_law_gives_its_rate_back(trust):
    # maxima of a Poisson stream of exponential sizes are Gumbel: rate above u is 30 exp(-u)
    rng = np.random.default_rng(3)
    hours = 0.25
    maxima = -np.log(-np.log(rng.uniform(size=4000)) / (30 * hours))
    tail = Tail.fit(maxima, hours, trust=trust)
    for wanted in (1.0, 0.1, 0.01):
        assert tail.value(wanted) == pytest.approx(np.log(30 / wanted), abs=0.8)


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
