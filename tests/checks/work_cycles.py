"""One work cycle, logged again and again: a few seconds each, no commands logged."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import polars as pl

from replay.archive import Archive, open_archive
from replay.checks import learn
from replay.records import Session

JOINTS = ("X", "Y", "Z")
HZ, HEALTHY = 50.0, 70
WAYS_DEG = np.array([[0, 20, -30], [40, -15, 10], [-20, 35, 45], [25, 5, -40], [0, 20, -30]])
GRAVITY_A = np.array([0.0, 3.0, 1.5])
RAMP = np.linspace(0.0, 1.0, int(1.4 * HZ))[:, None]
SMOOTH = 10 * RAMP**3 - 15 * RAMP**4 + 6 * RAMP**5


def cycle(archive: Archive, number: int, fault: str = "") -> str:
    """Add four moves of 1.4 s with rests between them; the third carries a part."""
    rng = np.random.default_rng(number)
    pieces, carried = [], []
    ways = WAYS_DEG + rng.normal(0, 0.8, WAYS_DEG.shape)
    for k, (a, b) in enumerate(pairwise(ways)):
        rest = np.repeat(b[None], int(rng.uniform(0.4, 0.7) * HZ), axis=0)
        pieces += [a + (b - a) * SMOOTH, rest]
        carried += [np.full(len(SMOOTH) + len(rest), 0.2 if k in (1, 2) else 0.0)]
    angle, part = np.vstack(pieces), np.concatenate(carried)[:, None]
    t = np.arange(len(angle)) / HZ
    rate = np.gradient(angle, 1 / HZ, axis=0)
    accel = np.gradient(rate, 1 / HZ, axis=0)
    if fault == "load":
        part = 3.5 * part
    moving = np.abs(rate) > 0.3
    drag = np.where(moving, np.sign(rate) * 0.7 + 0.012 * rate, 0.0)
    if fault == "friction":
        drag[:, 0] += 0.3 * np.sign(rate[:, 0]) * moving[:, 0]
    weight = GRAVITY_A * (1 + part) * np.cos(np.deg2rad(np.cumsum(angle, axis=1)))
    amps = drag + 0.003 * accel + weight + rng.normal(0, 0.03, angle.shape)
    if fault == "hum":
        amps[:, 2] += 0.35 * moving[:, 2] * np.sign(np.sin(2 * np.pi * 4.0 * t))
    start = datetime(2032, 2, 1, tzinfo=UTC) + timedelta(seconds=60 * number)
    at = np.datetime64(start.replace(tzinfo=None), "ns") + np.round(t * 1e9).astype(
        "timedelta64[ns]"
    )
    columns = {"time": pl.Series(at).dt.replace_time_zone("UTC")}
    for j, joint in enumerate(JOINTS):
        columns[f"{joint}.angle_deg"] = pl.Series(angle[:, j] + rng.normal(0, 0.001, len(t)))
        columns[f"{joint}.rate_deg_s"] = pl.Series(rate[:, j] + rng.normal(0, 0.02, len(t)))
        columns[f"{joint}.current_a"] = pl.Series(amps[:, j])
    frame = pl.DataFrame(columns)
    record = Session(
        session=f"c{number:03d}",
        source=f"c{number:03d}.csv",
        arm="cell",
        rows=frame.height,
        start=start,
        end=start + timedelta(seconds=float(t[-1])),
        joints=JOINTS,
        units={j: f"U-{j}" for j in JOINTS},
        channels={"main": tuple(c for c in frame.columns if c != "time")},
        rate_hz=HZ,
    )
    archive.add_session(record, {"main": frame})
    return record.session


def fill_cell(root: Path) -> None:
    """Many healthy cycles and what was learned from them."""
    archive = open_archive(root, create=True)
    learn(archive, [cycle(archive, k) for k in range(HEALTHY)])
