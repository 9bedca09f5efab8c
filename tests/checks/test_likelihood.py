import numpy as np
import pytest

from replay.checks.likelihood import Noise, Terms, gain, stretch, terms, windows
from replay.settings import setting
from replay.signatures.registry import SHAPES
from tests.checks.simulated_residuals import between, joint, with_shape

WHITE = Noise((1.0,), 0.0)


def test_sums_by_window_are_those_of_the_blocks_themselves():
    part = terms(SHAPES["friction"], joint(1))
    for found in windows(part, 0.2):
        k = found.first.size // 2
        inside = slice(found.first[k], found.stop[k])
        assert found.along[k] == pytest.approx(part.along[inside].sum())
        enough = (part.energy[inside] > 0).sum() * 0.2 >= setting("fewest_s")
        assert found.energy[k] == pytest.approx(part.energy[inside].sum() if enough else 0.0)


def test_windows_reach_from_two_blocks_to_the_whole_session():
    part = terms(SHAPES["friction"], joint(1))
    lengths = [int(f.stop[0] - f.first[0]) for f in windows(part, 0.2)]
    assert lengths[0] == 2
    assert lengths[-1] == part.along.size
    assert all(f.stop[-1] == part.along.size for f in windows(part, 0.2))


def test_the_size_of_a_planted_friction_and_its_span_come_back():
    one = joint(2, colour=0.0, session_sd=0.0)
    inside = between(one, 120.0, 300.0)
    with_shape(one, SHAPES["friction"], 0.12, inside)
    part = terms(SHAPES["friction"], one)
    nats, size, se = gain(part, inside, WHITE)
    assert size == pytest.approx(0.12, abs=3 * se)
    assert nats > 500
    first, stop = stretch(part, size, WHITE, 900, 1000)
    assert one.t_s[first] == pytest.approx(120.0, abs=2.0)
    assert one.t_s[stop - 1] == pytest.approx(290.0, abs=2.0)  # its last motion ends there


def test_growth_is_seen_growing():
    one = joint(3, colour=0.0, session_sd=0.0)
    rise = np.linspace(0, 1, one.t_s.size)
    one.plant.value[:] += 0.1 * rise * np.sign(one.rate_deg_s)
    part = terms(SHAPES["growing friction"], one)
    whole = list(windows(part, 0.2, grows=True))[-1]
    assert whole.along[0] / whole.energy[0] == pytest.approx(0.1, abs=0.01)


def test_doubt_that_does_not_average_out_bounds_the_significance():
    n = 1000
    part = Terms(np.full(n, 2.0), np.full(n, 10.0), np.full(n, 10.0 * 0.1))
    found = list(windows(part, 0.2))[-1]
    assert found.z(WHITE)[0] == pytest.approx(0.2 / np.sqrt(1 / 10_000 + 0.1**2))


def test_one_wild_block_counts_for_no_more_than_its_clip():
    one = joint(4, colour=0.0, session_sd=0.0)
    row = int(np.flatnonzero(one.plant.ok)[50])
    one.plant.value[row] = 1000.0
    part = terms(SHAPES["viscous friction"], one)
    assert part.along[row] == pytest.approx(one.rate_deg_s[row] * 8.0 / 0.05)
