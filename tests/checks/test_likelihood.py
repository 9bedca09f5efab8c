from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pytest

from replay.checks.likelihood import ALIKE, Noise, Terms, gain, stretch, terms, windows
from replay.checks.wording import amperes, facts_of
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


def test_beyond_eight_spreads_a_block_counts_by_its_logarithm():
    """A wild one does not make a window, and yet a push of fifty spreads is none of nine."""
    one = joint(4, colour=0.0, session_sd=0.0)
    row = int(np.flatnonzero(one.plant.ok)[50])
    for spreads, counted in ((7.0, 7.0), (8.0, 8.0), (80.0, 8.0 * (1 + np.log(10)))):
        one.plant.value[row] = spreads * 0.05
        part = terms(SHAPES["viscous friction"], one)
        assert part.along[row] == pytest.approx(one.rate_deg_s[row] * counted / 0.05)


def of_blocks(size, energy=4.0, doubt=0.0):
    """Return a shape's summands from sizes block by block."""
    size = np.asarray(size, dtype=np.float64)
    return Terms(size * energy, np.full(size.size, energy), np.full(size.size, energy * doubt))


def z_between(part, noise, first, stop):
    """Return the significance of one window."""
    for found in windows(part, 0.2):
        hit = np.flatnonzero((found.first == first) & (found.stop == stop))
        if hit.size:
            return float(found.z(noise)[hit[0]])
    raise AssertionError("no such window")


def test_a_window_is_laid_beside_what_the_rest_of_the_session_makes_of_it():
    """The conditional mean and variance of two normal variables, by their covariance."""
    rng = np.random.default_rng(5)
    noise = Noise((1.0,), 0.2)
    part = of_blocks(0.5 + 0.3 * rng.normal(size=1024), doubt=0.1)
    inside = slice(256, 512)
    here = part.along[inside].sum() / part.energy[inside].sum()
    rest = np.delete(part.along, np.r_[inside]).sum() / (1024 - 256) / 4.0
    prior = 0.2**2 + 0.1**2
    common = 0.2**2 + ALIKE * 0.1**2
    table = np.array([[prior + 1 / (256 * 4), common], [common, prior + 1 / ((1024 - 256) * 4)]])
    told = table[0, 1] / table[1, 1] * rest
    left = 1 / np.linalg.inv(table)[0, 0]
    found = z_between(part, noise, 256, 512)
    assert found == pytest.approx((here - told) / np.sqrt(left))


def test_what_a_session_is_off_by_everywhere_hides_no_fault_in_a_part_of_it():
    noise = Noise((1.0,), 0.2)
    size = np.full(1024, 0.2)
    even = z_between(of_blocks(size), noise, 512, 640)
    size[512:640] += 0.3
    assert abs(even) < 0.5
    assert z_between(of_blocks(size), noise, 512, 640) > 6.0


def test_the_healthy_rest_is_not_blamed_for_standing_out_from_the_fault():
    noise = Noise((1.0,), 0.02)
    size = np.zeros(1024)
    size[128:] = 0.4
    part = of_blocks(size)
    assert z_between(part, noise, 0, 128) == 0.0
    assert z_between(part, noise, 512, 1024) > 5.0


def test_a_shape_all_joints_share_sees_the_mass_that_the_residual_was_freed_of():
    one = joint(6)
    shape = SHAPES["payload"]
    before = terms(shape, one)
    off = np.full(one.t_s.size, 3.0)
    value = one.plant.value - 3.0 * one.regressors["payload"]
    freed = replace(one, plant=replace(one.plant, value=value), mass_off_kg=off)
    after = terms(shape, freed)
    assert after.along == pytest.approx(before.along)
    assert np.abs(terms(SHAPES["offset"], freed).along - terms(SHAPES["offset"], one).along).max()


def test_what_a_wrong_load_departs_by_is_told_from_the_declared_one():
    one = joint(7)
    inside = np.ones(one.t_s.size, dtype=bool)
    less = 40.0 * one.regressors["payload"]
    freed = replace(
        one,
        plant=replace(one.plant, value=one.plant.value - less),
        expected_a=one.expected_a + less,
        mass_off_kg=np.full(one.t_s.size, 40.0),
    )
    told, before = amperes(freed.as_declared(), inside), amperes(one, inside)
    assert told["peak"] == pytest.approx(before["peak"])
    assert told["expected"] == pytest.approx(before["expected"])
    assert amperes(freed, inside)["peak"] != pytest.approx(before["peak"])
    lead = SimpleNamespace(joint="J1", start_s=0.0, end_s=float(one.t_s[-1]))
    evidence = SimpleNamespace(residuals=SimpleNamespace(joints={"J1": freed}))
    finding = SimpleNamespace(lead=lead, events=[lead])
    decision = SimpleNamespace(
        kind="load", shape="payload", size=40.0, size_se=1.0, marks=(), releases=0
    )
    facts = facts_of(evidence, finding, decision, datetime(2031, 5, 1, tzinfo=UTC))
    assert facts.ampere["peak"] == pytest.approx(before["peak"])
