"""Expected current: what training never logged must not stop a later check."""

import numpy as np
import polars as pl
import pytest

from replay.archive import open_archive
from replay.models import learn
from replay.signals import joint_table
from tests.checks.sessions import add, bench


def test_a_payload_that_training_never_logged_is_no_trouble(tmp_path):
    archive = open_archive(tmp_path, create=True)
    for k in range(6):
        add(archive, f"h{k}", bench(k, minutes=3.0), day=k)
    baseline = learn(archive)
    assert "accel" in baseline.units["S-1"].model.populations_[2].blocks
    name = add(archive, "loaded", bench(9, minutes=3.0), day=9)
    table = joint_table(archive, name, "P1")
    plain = baseline.expected(table, "S-1")
    loaded = baseline.expected(table.with_columns(payload_kg=pl.lit(200.0)), "S-1")
    assert loaded["seen"].mean() > 0.5
    both = (plain["seen"] & loaded["seen"]).to_numpy()
    apart = (plain["expected_a"] - loaded["expected_a"]).to_numpy()[both]
    assert np.max(np.abs(apart)) < 0.02


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_one_session_teaches_without_a_mean_of_nothing(tmp_path):
    archive = open_archive(tmp_path, create=True)
    columns = bench(3, minutes=4.0)
    columns["P1"]["current_a"][100:180] = np.nan  # a surprise to the rest of a lone session
    add(archive, "alone", columns)
    assert "cannot promise this rate from so few sessions" in learn(archive).promise()


def test_a_samples_noise_is_that_beside_its_neighbours(tmp_path):
    archive = open_archive(tmp_path, create=True)
    for k in range(6):
        columns = bench(k, minutes=3.0)
        for joint in ("P1", "P2"):  # slow wander that no model explains, and no noise
            columns[joint]["current_a"] += 0.3 * np.sin(columns["t"] / (3.0 + k))
        add(archive, f"h{k}", columns, day=k)
    model = learn(archive).units["S-1"].model
    assert model.sample_noise() == pytest.approx(0.05, rel=0.15)
    assert float(np.median(model.populations_[2].spread.sd)) > 0.15
