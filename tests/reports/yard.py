"""Logs of a two-joint bench as CSV files, simple on purpose, and what is learned from them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

import replay
from replay.archive import Archive, open_archive
from tests.built_once import built_once

JOINTS = ("P1", "P2")
FAULTY_AT_S, FAULTY_S = 60.0, 60.0

ARM = """[arm]
name = "Bench"
gravity_m_s2 = [0.0, 0.0, 0.0]
""" + "".join(
    f"""
[[joints]]
name = "{joint}"
serial = "TU-{joint}"
rate_limit_deg_s = 4.0
gear_ratio = 100.0
torque_constant_nm_a = 0.1
efficiency_drive = 0.8
current_limit_a = 9.0
"""
    for joint in JOINTS
)

LOG_MAP = """[log]
layout = "wide"
joints = 2

[time]
column = "time_utc"
format = "iso8601"

[joint.angle]
column = "P{n}_deg"
unit = "deg"
[joint.commanded_rate]
column = "P{n}_rate_cmd"
unit = "deg/s"
[joint.current]
column = "P{n}_a"
unit = "A"
[joint.brake_state]
column = "P{n}_brake"
words = { ENG = "engaged", REL = "released" }
"""


def write_log(folder: Path, number: int, *, drag_a: float = 0.0) -> Path:
    """Write three minutes of moves and rests; ``drag_a`` more on P1 for a minute."""
    rng = np.random.default_rng(number)
    hz, length_s = 10.0, 180.0
    t = np.arange(int(length_s * hz)) / hz
    start = datetime(2031, 4, 1, 8, 0, tzinfo=UTC) + timedelta(days=number)
    columns: dict[str, object] = {
        "time_utc": [f"{start + timedelta(seconds=s):%Y-%m-%dT%H:%M:%S.%f}Z" for s in t]
    }
    for k, joint in enumerate(JOINTS):
        phase, move = (t + 7 * k) % 30.0, ((t + 7 * k) // 30.0).astype(int)
        speed = rng.uniform(0.8, 3.0, move.max() + 1)[move]
        ramp = np.clip(np.minimum(phase - 5.0, 25.0 - phase) / 1.5, 0.0, 1.0)
        command = np.where(move % 2 == 0, 1.0, -1.0) * speed * ramp
        rate = np.convolve(command, np.ones(3) / 3, "same")
        amps = np.where(np.abs(rate) > 0.01, np.sign(rate) * (1.2 + 0.25 * np.abs(rate)), 0.0)
        if joint == "P1" and drag_a:
            late = (t >= FAULTY_AT_S) & (t < FAULTY_AT_S + FAULTY_S)
            amps = amps + np.where(late, drag_a * np.sign(rate) * (np.abs(rate) > 0.01), 0.0)
        released = (phase > 4.0) & (phase < 26.5)
        columns |= {
            f"{joint}_deg": np.round(np.cumsum(rate) / hz + rng.normal(0, 0.002, t.size), 4),
            f"{joint}_rate_cmd": np.round(command, 4),
            f"{joint}_a": np.round(amps + rng.normal(0, 0.05, t.size), 4),
            f"{joint}_brake": np.where(released, "REL", "ENG"),
        }
    path = folder / f"bench-{number:02d}.csv"
    pl.DataFrame(columns).write_csv(path)
    return path


def bench_yard(factory: pytest.TempPathFactory) -> tuple[Archive, str]:
    """Return a copy of what `taught_archive` makes, made once in a run of the tests."""
    archive = open_archive(built_once(factory, "bench-yard", taught_archive) / "archive")
    return archive, archive.sessions().sort("start")["session"][-1]


def taught_archive(root: Path) -> tuple[Archive, str]:
    """Return an archive of six healthy sessions and one with drag, and that one's name."""
    logs = root / "logs"
    logs.mkdir()
    paths = [write_log(logs, k) for k in range(6)]
    archive = open_archive(root / "archive", create=True)
    taken = replay.ingest(archive, paths, log_map=LOG_MAP, arm=ARM)
    assert taken.refused == []
    baseline = replay.learn(archive)
    faulty = replay.ingest(
        archive, write_log(logs, 20, drag_a=0.9), log_map=LOG_MAP, arm=ARM
    ).sessions[0].session  # fmt: skip
    for name in (taken.sessions[0].session, faulty):
        replay.check(archive, name, baseline)
    return archive, faulty
