"""What a unit's reference model is made from, and what it lets be told."""

from types import SimpleNamespace

import numpy as np
import pytest
from conftest import BEGIN, add, motion_frame

from replay.archive import open_archive
from replay.signals import joint_tables
from replay.wear import indicators, session_friction
from replay.wear.measures.motions import Motions, moving_rows
from replay.wear.reference import store
from replay.wear.reference.model import make_reference
from replay.wear.reference.withheld import FRICTION, LEFT_OF_POSTURE, OF_CURRENT, withheld

JOINTS = {"J1": (1.0, 0.1, 4.0)}


@pytest.fixture(scope="module")
def short(tmp_path_factory):
    """One session of one joint."""
    archive = open_archive(tmp_path_factory.mktemp("short"), create=True)
    frame = motion_frame(BEGIN, joints=JOINTS, seed=3)
    add(archive, 0, frame, units={"J1": "TU-1"}, start=BEGIN)
    return archive


def seen_by(monkeypatch, module):
    """Return the list into which the motions go of which ``module`` makes references."""
    seen = []

    def made(sessions, stage):
        seen.extend(sessions)
        return make_reference(sessions, stage)

    monkeypatch.setattr(module, "make_reference", made)
    return seen


def of_means(motions, table):
    """Whether motions are means of many samples that leave no sample of the table out."""
    assert motions.rows.sum() == len(moving_rows(table).at)
    assert (motions.rows > 1).mean() > 0.9
    return True


def test_reference_models_rest_on_means_of_many_samples(short, monkeypatch):
    table = joint_tables(short, "S0000")["J1"]
    of_one = seen_by(monkeypatch, session_friction)
    assert session_friction.session_friction({}, "J1", "TU-1", table).withheld == ""
    of_many = seen_by(monkeypatch, store)
    indicators(short)
    for (motions,) in (of_one, of_many):
        assert of_means(motions, table)


def test_an_untold_posture_takes_no_other_reason_away():
    neither = withheld(SimpleNamespace(friction_told=False, posture_told=False))
    friction_alone = withheld(SimpleNamespace(friction_told=False, posture_told=True))
    assert set(friction_alone) == set(FRICTION)
    assert all(neither[name].startswith(why) for name, why in friction_alone.items())
    assert set(neither) == set(OF_CURRENT)
    posture_alone = withheld(SimpleNamespace(friction_told=True, posture_told=False))
    assert set(neither) - set(posture_alone) == {"friction at usual rate"}
    for reasons in (neither, posture_alone):
        assert "no arm file tells that load" in reasons["coulomb friction"]
    assert set(LEFT_OF_POSTURE) <= set(OF_CURRENT)
    assert withheld(SimpleNamespace(friction_told=True, posture_told=True)) == {}


def opposed(lean_a, scatter, *, sessions=8, motions=lambda k: 40):
    """Return sessions of friction 1 A whose directions differ by ``lean_a``, up or down.

    Motions scatter by a share of the friction.
    """
    rng = np.random.default_rng(5)
    made = []
    for k in range(sessions):
        n = 6 * motions(k)
        motion = np.repeat(np.arange(motions(k)), 6)
        direction = np.where(motion % 2, -1.0, 1.0)
        speed = 3.0 + 0.5 * rng.uniform(-1, 1, n)
        half = lean_a(k) / 2
        own = scatter * rng.normal(size=motions(k))[motion]
        current = direction * (1.0 + own) + half + 0.001 * rng.normal(size=n)
        still, first = np.zeros(n), np.arange(n)
        made.append(
            Motions(motion, direction, speed, still, still, still, current, np.full(n, 10.0),
                    first, [BEGIN] * motions(k))
        )  # fmt: skip
    return make_reference(made, 2)


def test_posture_is_told_where_neither_directions_nor_motions_scatter():
    quiet = opposed(lambda k: 0.1 + 0.002 * (k % 3), 0.01)
    assert quiet.friction_told
    assert quiet.posture_told
    assert not opposed(lambda k: 0.3 * (k % 4), 0.01).posture_told
    assert not opposed(lambda k: 0.1, 0.09).posture_told
    assert opposed(lambda k: 0.1, 0.045).posture_told


def test_directions_that_differ_by_more_than_friction_tell_none():
    # in the usual session one direction costs no current; in the long ones both do
    def lean(k):
        return 2.6 if k % 8 < 5 else 0.0

    apart = opposed(lean, 0.01, motions=lambda k: 20 if k % 8 < 5 else 100)
    assert apart.lean_a == pytest.approx(2.6, abs=0.1)
    assert apart.motion_spread_a < 0.1
    assert not apart.friction_told
    assert opposed(lambda k: 1.4, 0.01).friction_told
