"""Loads: a chain found from the logs, masses that no column declares, bad arm files."""

from dataclasses import replace

import numpy as np
import pytest

from replay.archive import open_archive
from replay.models import condense, fit, residuals_of
from replay.models.chains.chain_training import chain_loads
from tests.models.planar import JOINTS, UNITS, add_session


def told_share(residuals, joint):
    """Share of the sliding current's variance that the expectation explains."""
    mine = residuals.joints[joint]
    ok = mine.plant.ok
    return 1 - np.var(mine.plant.value[ok]) / np.var(mine.current_a[ok])


@pytest.fixture(scope="module")
def ground(tmp_path_factory):
    archive = open_archive(tmp_path_factory.mktemp("ground"), create=True)
    names = [
        add_session(archive, seed, payload_kg=3.0 * (seed % 2), declare=True) for seed in range(8)
    ]
    return archive, fit(archive, names)


def judged(archive, training, name):
    return residuals_of(training.model, condense(archive, name, filter_s=training.model.filter_s))


def test_gravity_is_explained_on_a_session_left_out(ground):
    archive, training = ground
    found = judged(archive, training, add_session(archive, 100, payload_kg=1.5, declare=True))
    assert found.loads_from == "identified"
    for joint in JOINTS:
        assert told_share(found, joint) > 0.95
        z = found.joints[joint].plant
        size = z.value[z.ok] / np.sqrt(z.variance[z.ok] + z.doubt_a[z.ok] ** 2)
        assert np.sqrt(np.mean(size**2)) < 1.6


def test_a_load_that_no_column_declares_is_estimated_with_its_times(ground):
    archive, training = ground
    rows = np.arange(2400)
    mass = np.where((rows > 700) & (rows < 1700), 2.0, 0.0)
    found = judged(archive, training, add_session(archive, 101, payload_kg=mass))
    assert not found.payload_declared
    assert "no column declares a load" in found.notes[0]
    heavy = [p for p in found.payloads if p.mass_kg > 1.0]
    assert heavy[0].start_s == pytest.approx(70.0, abs=6.0)
    assert heavy[-1].end_s == pytest.approx(170.0, abs=6.0)
    middle = found.joints["R1"].payload_kg[(mass[::2] > 0)[: len(found.joints["R1"].t_s)]]
    assert np.median(middle) == pytest.approx(2.0, abs=0.2)
    for joint in JOINTS:
        assert told_share(found, joint) > 0.95


def test_a_base_end_without_training_is_refused_not_believed(ground):
    archive, training = ground
    found = judged(archive, training, add_session(archive, 102, base="B", declare=True))
    for joint in JOINTS:
        assert not found.joints[joint].plant.ok.any()
        assert (found.joints[joint].reason == 4).mean() > 0.9


def test_an_arm_that_hangs_on_its_other_end_is_explained_from_both(tmp_path):
    """Nothing says how a fixture stands: from end B this arm's world is upside down."""
    archive = open_archive(tmp_path, create=True)
    ways = [("A", 9.81), ("B", -9.81)]
    names = [
        add_session(archive, seed, base=base, gravity=gravity, payload_kg=3.0 * (seed % 4 > 1),
                    declare=True)
        for seed in range(8)
        for base, gravity in [ways[seed % 2]]
    ]  # fmt: skip
    training = fit(archive, names)
    assert training.model.loads == "identified"
    for seed, (base, gravity) in enumerate(ways):
        name = add_session(
            archive, 100 + seed, base=base, gravity=gravity, payload_kg=1.5, declare=True
        )
        found = judged(archive, training, name)
        for joint in JOINTS:
            assert told_share(found, joint) > 0.95, (base, joint)


def test_an_arm_that_feels_no_gravity_needs_no_chain(tmp_path):
    archive = open_archive(tmp_path, create=True)
    training = fit(archive, [add_session(archive, seed, gravity=0.0) for seed in range(5)])
    assert training.model.loads == "none"
    assert training.model.chain is None
    for serial in UNITS:
        assert training.model.units[serial].explained > 0.9


def test_what_judges_a_training_session_did_not_see_it(ground):
    _, training = ground
    for found in training.held_out():
        fold = training.fold_of[found.session]
        left_out = training.folds[fold]
        assert not np.array_equal(left_out.units["U-1"].coef, training.model.units["U-1"].coef)


def test_a_chain_found_from_names_tells_what_a_mass_centre_beside_it_asks_for(ground):
    archive, training = ground
    name = add_session(archive, 108, payload_kg=2.0, declare=True)
    blocks = condense(archive, name, filter_s=training.model.filter_s)
    known = training.model.chain
    loads = chain_loads(blocks, known, blocks.payload_kg)
    off = np.array([0.03, -0.02, 0.01])
    payload = known.chain.payload.copy()
    payload[:, 1:4] += off
    moved = replace(known, chain=replace(known.chain, payload=payload))
    beside = chain_loads(blocks, moved, blocks.payload_kg)
    for joint in JOINTS:
        asked = beside.per_kg[joint] - loads.per_kg[joint]
        seen = np.isfinite(asked) & (blocks.payload_kg > 0)
        assert np.ptp(asked[seen]) > 0.0
        assert loads.per_moment[joint][seen] @ off == pytest.approx(asked[seen], abs=1e-9)
