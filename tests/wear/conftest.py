"""Small archives of invented sessions; the joints' truth is plain numbers."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from replay.archive import open_archive
from replay.records import Session
from tests.built_once import built_once

BEGIN = datetime(2031, 1, 5, 8, tzinfo=UTC)


def motion_frame(
    start,
    *,
    joints,
    seed,
    seconds=150.0,
    rate_hz=10.0,
    temperature_c=20.0,
    brake=False,
):
    """Return a stream of joints that move to and fro with friction.

    ``joints`` maps a name to (coulomb A, viscous A s/deg, top rate deg/s).
    """
    rng = np.random.default_rng(seed)
    n = int(seconds * rate_hz)
    t = np.arange(n) / rate_hz
    columns = {
        "time": pl.Series([start], dtype=pl.Datetime("ns", "UTC")).new_from_index(0, n)
        + pl.Series((t * 1e9).round().astype(np.int64)).cast(pl.Duration("ns"))
    }
    for name, (coulomb, viscous, top) in joints.items():
        speeds = rng.uniform(0.3, 1.0, 40) * top
        leg = (t // 5.0).astype(int) % 40
        phase = t % 5.0
        shape = np.clip(np.minimum(phase, 4.0 - phase) / 0.6, 0, 1)
        rate = np.where(leg % 2, -1, 1) * speeds[leg] * shape
        angle = np.cumsum(rate) / rate_hz
        current = (
            coulomb * np.tanh(rate / 0.02)
            + viscous * rate
            + 0.02 * np.gradient(rate, t)
            + 0.03 * rng.normal(size=n)
        )
        columns[f"{name}.angle_deg"] = angle + 0.002 * rng.normal(size=n)
        columns[f"{name}.rate_deg_s"] = rate + 0.005 * rng.normal(size=n)
        columns[f"{name}.current_a"] = current
        columns[f"{name}.temperature_c"] = np.full(n, temperature_c)
        if brake:
            columns[f"{name}.brake_engaged"] = phase > 4.5
    return pl.DataFrame(columns)


def add(archive, number, frame, *, units, start, base_end="A", arm="Heron", arm_toml=None):
    """Store one session; return its name."""
    names = tuple(c for c in frame.columns if c != "time")
    joints = tuple(dict.fromkeys(c.split(".")[0] for c in names))
    record = Session(
        session=f"S{number:04d}",
        source=f"run{number:04d}.csv",
        arm=arm,
        rows=frame.height,
        start=start,
        end=start + timedelta(seconds=150),
        joints=joints,
        units=units,
        channels={"main": names},
        base_end=base_end,
        arm_toml=arm_toml,
    )
    archive.add_session(record, {"main": frame})
    return record.session


def fill_worn(root):
    """Two years, 30 sessions: TU-101 wears by 0.2 A a year, TU-102 does not."""
    archive = open_archive(root, create=True)
    for k in range(30):
        years = 2.0 * k / 29
        start = BEGIN + timedelta(days=365.25 * years)
        warmth = 20 + 12 * np.sin(2 * np.pi * years)
        cold = 0.01 * (20 - warmth)
        frame = motion_frame(
            start,
            joints={
                "J1": (1.0 + 0.2 * years + cold, 0.1, 4.0),
                "J2": (1.2 + cold, 0.08, 4.0),
            },
            seed=k,
            temperature_c=warmth,
        )
        add(archive, k, frame, units={"J1": "TU-101", "J2": "TU-102"}, start=start)


@pytest.fixture(scope="session")
def worn(tmp_path_factory):
    """The archive that `fill_worn` makes."""
    return open_archive(built_once(tmp_path_factory, "worn", fill_worn))
