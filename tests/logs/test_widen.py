"""Joints whose names say something else too, or end in a number, are not left out."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl
import pytest

from replay.archive import open_archive
from replay.cleaning import ingest
from replay.logs import propose_map
from tests.logs.test_propose import log, motion

A = ("{}_pos_deg", "{}_vel_deg_s", "{}_amps")
FIVE = ["base", "shoulder", "elbow", "wrist1", "wrist2"]
SIX = [*FIVE, "wrist3"]


@pytest.mark.parametrize("keys", [FIVE, SIX])
@pytest.mark.parametrize("form", ["{}_pos_deg", "joints.{}.pos_deg"])
def test_every_joint_is_taken_in_the_columns_order(
    tmp_path: Path, keys: list[str], form: str
) -> None:
    rate, current = form.replace("pos_deg", "vel_deg_s"), form.replace("pos_deg", "amps")
    path = log(tmp_path, form, rate, current, keys)
    found = propose_map(path)
    joints = next(line for line in found.lines if line.key == "joints")
    assert json.loads(joints.value) == keys
    assert not found.unused
    got = ingest(open_archive(tmp_path / "a", create=True), path)
    assert not got.refused, got.refused
    stored = pl.read_parquet(next((tmp_path / "a" / "samples").glob("*/main.parquet")))
    for n, k in enumerate(keys):
        assert stored[f"{k}.angle_deg"].to_numpy() == pytest.approx(motion(n)[0], abs=1e-9)
        assert stored[f"{k}.current_a"].to_numpy() == pytest.approx(motion(n)[2], abs=1e-9)


def test_a_name_that_is_no_known_joints_is_asked_about(tmp_path: Path) -> None:
    path = log(tmp_path, *A, ["shoulder", "elbow", "payout3", "wrist"])
    joints = next(line for line in propose_map(path).lines if line.key == "joints")
    assert json.loads(joints.value) == ["shoulder", "elbow", "payout3", "wrist"]
    assert joints.confidence < 0.6
    assert "payout3" in joints.why
    got = ingest(open_archive(tmp_path / "a", create=True), path)
    assert "payout3" in str(got.refused[0])


def test_columns_of_no_joint_widen_nothing(tmp_path: Path) -> None:
    path = log(tmp_path, *A, ["shoulder", "elbow", "wrist"])
    table = pl.read_csv(path).with_columns(
        tcp_pos_deg=pl.lit(1.5), tcp_vel_deg_s=pl.lit(0.5), total_amps=pl.lit(3.0)
    )
    table.write_csv(path)
    joints = next(line for line in propose_map(path).lines if line.key == "joints")
    assert json.loads(joints.value) == ["shoulder", "elbow", "wrist"]
