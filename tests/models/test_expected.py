"""Expected current: what training never logged must not stop a later check."""

import numpy as np
import polars as pl

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
