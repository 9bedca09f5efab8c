"""Clocks of two recorders that stand apart are told of, and no time is changed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from tests.cleaning.logs import MAP, notes, only, samples, take, text
from tests.start import START_NS

ROWS = 12_000
HZ = 10.0


def two_logs(folder: Path, offset_s: float, drift: float, *, moving: bool = True) -> list[Path]:
    """Write angles by one clock and currents by another that is ahead of it."""
    rng = np.random.default_rng(3)
    true_s = np.arange(ROWS) / HZ
    # moves and rests of random length, as between operations
    speed = np.repeat(rng.choice([-2.0, 0.0, 1.0, 2.0], ROWS // 80), 80) * moving
    # trapezia: a one-sided sum would put the angle half a sample off the speed
    angle = np.cumsum((speed + np.roll(speed, 1)) / 2) / HZ
    logs = []
    for name, seconds, columns in (
        ("angles.csv", true_s, {f"a{n}": angle + rng.normal(0, 0.002, ROWS) for n in (1, 2)}),
        (
            "currents.csv",
            true_s + offset_s + drift * true_s,
            {f"i{n}": 1.5 * np.sign(speed) + rng.normal(0, 0.1, ROWS) for n in (1, 2)},
        ),
    ):
        ns = START_NS + np.round(seconds * 1e9).astype(np.int64)
        at = pl.Series("t", ns).cast(pl.Datetime("ns")).dt.strftime("%Y-%m-%dT%H:%M:%S%.9fZ")
        log = folder / name
        log.write_text(text(pl.DataFrame({"t": at, **columns})))
        logs.append(log)
    return logs


@pytest.mark.parametrize(("offset_s", "drift"), [(0.8, 0.0), (-0.5, 2e-3), (0.0, -1e-3)])
def test_offset_and_drift_are_estimated(tmp_path: Path, offset_s: float, drift: float) -> None:
    logs = two_logs(tmp_path, offset_s, drift)
    archive, result = take(tmp_path, *logs, log_map=MAP)
    session = only(result)
    (note,) = notes(session, "clock-drift")
    words = note.detail.split()
    start_s = float(words[words.index("start") - 4])
    end_s = float(words[words.index("end") - 4])
    # the truth is the generator's own; 0.05 s is half a sample
    assert start_s == pytest.approx(offset_s, abs=0.05)
    assert end_s == pytest.approx(offset_s + drift * ROWS / HZ, abs=0.05)
    stream = next(s for s, names in session.channels.items() if "J1.current_a" in names)
    kept = samples(archive, session, stream)["time"].to_physical()
    assert kept[0] == START_NS + round(offset_s * 1e9)


def test_clocks_that_agree_are_not_told_of(tmp_path: Path) -> None:
    session = only(take(tmp_path, *two_logs(tmp_path, 0.0, 0.0), log_map=MAP)[1])
    assert not notes(session, "clock-drift")


def test_an_arm_that_rests_tells_nothing(tmp_path: Path) -> None:
    logs = two_logs(tmp_path, 0.8, 0.0, moving=False)
    session = only(take(tmp_path, *logs, log_map=MAP)[1])
    assert not notes(session, "clock-drift")
