"""A real arm's protective stops, by how far its currents are from what was expected."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from sklearn.ensemble import IsolationForest
from sklearn.metrics import roc_auc_score

from replay.archive import open_archive
from replay.checks import learn
from replay.checks.traces import score_trace
from replay.cleaning import ingest
from replay.logs import load_map
from tests.real_logs import COBOT, MAPS, whole

JOINTS = [f"J{j}" for j in range(6)]


def labels(log: Path) -> pl.DataFrame:
    """UCI data set 963, doi 10.24432/C5J891, CC BY 4.0."""
    raw = pl.read_csv(log, separator=";", infer_schema_length=0)
    number = pl.selectors.matches("^(Current|Speed)_J").str.replace(",", ".").cast(pl.Float64)
    return (
        raw.filter(pl.col("Robot_ProtectiveStop").is_in(["True", "False"]))
        .select(
            pl.col("Timestamp")
            .str.strip_chars('"')
            .str.to_datetime(time_unit="ns", time_zone="UTC")
            .alias("time"),
            pl.col("Robot_ProtectiveStop").eq("True").alias("stop"),
            number,
        )
        .drop_nulls()
    )


@pytest.mark.xfail(
    strict=True,
    reason="without a load the current at rest is expected at its bias: 0.71, and 0.75 is asked",
)
def test_departures_from_the_expected_current_find_stops_where_a_forest_is_at_chance(tmp_path):
    log = whole(*COBOT)
    archive = open_archive(tmp_path / "a", create=True)
    session = ingest(archive, log, log_map=load_map(MAPS / "cobot.toml")).sessions[0]
    name = getattr(session, "session", session)
    baseline = learn(archive)
    rows = labels(log)
    for joint in JOINTS:
        trace = score_trace(archive, name, joint, baseline)
        away = trace.select("time", pl.col("sample_z").abs().fill_null(0.0).alias(joint))
        # blocks lie between the rows of a slow log
        rows = rows.sort("time").join_asof(
            away.sort("time"), on="time", strategy="nearest", tolerance="1s"
        )
    rows = rows.drop_nulls(JOINTS)
    assert rows.height > 7000
    stop = rows["stop"].to_numpy()
    furthest = rows.select(JOINTS).to_numpy().max(axis=1)
    pairs = [rows.select(f"Speed_J{j}", f"Current_J{j}").to_numpy() for j in range(6)]
    forest = IsolationForest(random_state=0).fit(np.concatenate(pairs)[::3])
    pooled = np.max([-forest.score_samples(p) for p in pairs], axis=0)
    assert roc_auc_score(stop, pooled) < 0.62  # 0.42 to 0.62: at chance
    assert roc_auc_score(stop, furthest) > 0.75
    assert roc_auc_score(stop, furthest) > roc_auc_score(stop, pooled) + 0.15
