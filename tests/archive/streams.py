"""Small streams and records for the archive's tests."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from replay.records import QualityNote, Session
from tests.start import START, START_NS


def stream(rows: int, *, hz: int = 100, seed: int = 0, joints: int = 1) -> pl.DataFrame:
    """A stream with angles, currents, a brake and a phase."""
    noise = np.random.default_rng(seed)
    time = START_NS + np.arange(rows, dtype=np.int64) * (10**9 // hz)
    columns: dict[str, Any] = {"time": pl.Series(time).cast(pl.Datetime("ns", "UTC"))}
    for joint in range(1, joints + 1):
        columns[f"J{joint}.angle_deg"] = np.cumsum(noise.normal(0, 0.01, rows)).round(4)
        columns[f"J{joint}.current_a"] = noise.normal(0, 0.3, rows)
        columns[f"J{joint}.brake_engaged"] = (np.arange(rows) // 1000) % 2 == 0
    columns["phase"] = np.where(np.arange(rows) < rows // 2, "approach", "stow")
    return pl.DataFrame(columns)


def record(name: str, frame: pl.DataFrame, **more: Any) -> Session:
    """The record that fits a stream."""
    channels = tuple(c for c in frame.columns if c != "time")
    joints = tuple(dict.fromkeys(c.split(".")[0] for c in channels if "." in c))
    known: dict[str, Any] = {
        "session": name,
        "source": f"{name}.csv",
        "arm": "Heron",
        "rows": frame.height,
        "start": frame["time"][0] if frame.height else START,
        "end": frame["time"][-1] if frame.height else START,
        "joints": joints,
        "units": {j: f"TU-10{i}" for i, j in enumerate(joints)},
        "channels": {"main": channels},
        "quality": (QualityNote("gap", "0.4 s without rows", start=START, end=START),),
    }
    return Session(**(known | more))
