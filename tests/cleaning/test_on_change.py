"""Numbers that are written when they change hold; lost ones stay lost."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from replay.cleaning.stream.on_change import Held, quiet_rows
from tests.cleaning.logs import instants, notes, only, samples, take, text

ROWS, HZ = 6000, 25.0
JOINTS = ("a1", "a2")


def moves(rng: np.random.Generator) -> np.ndarray:
    """Return an angle that moves and rests, in hundredths of a degree, as a recorder sees it."""
    rate = np.repeat(rng.choice([0.0, 0.0, 0.1, -0.1, 2.0, -2.0], ROWS // 100), 100)
    return np.round(np.cumsum(rate) / HZ + rng.normal(0, 0.003, ROWS), 2)


def on_change(values: np.ndarray, anew: int = 0) -> np.ndarray:
    """Return what is written of them: changes, and all of it every so many rows."""
    told = np.r_[True, np.diff(values) != 0]
    if anew:
        told |= np.arange(len(values)) % anew == 0
    return np.where(told, values, np.nan)


def log(folder: Path, columns: dict[str, np.ndarray]) -> Path:
    """Write instants, two angles and two currents."""
    t = instants(ROWS, HZ).dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ")
    frame = pl.DataFrame({"t": t, **columns}, nan_to_null=True)
    path = folder / "log.csv"
    path.write_text(text(frame))
    return path


@pytest.mark.parametrize("anew", [0, 250])
def test_an_angle_written_on_change_is_known_at_every_row(tmp_path: Path, anew: int) -> None:
    rng = np.random.default_rng(3)
    true = {name: moves(rng) for name in JOINTS}
    current = {f"i{n}": np.round(rng.normal(1, 0.2, ROWS), 3) for n in (1, 2)}
    told = {name: on_change(values, anew) for name, values in true.items()}
    assert np.mean(np.isnan(told["a1"])) > 0.3  # or the test shows nothing
    archive, result = take(tmp_path, log(tmp_path, told | current))
    session = only(result)
    rows = samples(archive, session)
    for n, name in enumerate(JOINTS):
        assert np.array_equal(rows[f"J{n + 1}.angle_deg"].to_numpy(), true[name])
    said = notes(session, "on-change")
    assert [n.count for n in said] == [int(np.isnan(told[name]).sum()) for name in JOINTS]


@pytest.mark.parametrize("share", [0.2, 0.5])
def test_an_angle_of_which_samples_were_lost_has_holes(tmp_path: Path, share: float) -> None:
    rng = np.random.default_rng(4)
    lost = {n: np.where(rng.random(ROWS) < share, np.nan, moves(rng)) for n in JOINTS}
    current = {f"i{n}": np.round(rng.normal(1, 0.2, ROWS), 3) for n in (1, 2)}
    archive, result = take(tmp_path, log(tmp_path, lost | current))
    session = only(result)
    rows = samples(archive, session)
    assert not notes(session, "on-change")
    assert rows["J1.angle_deg"].null_count() == int(np.isnan(lost["a1"]).sum())


def test_a_recorder_that_fell_silent_says_nothing_of_the_joint() -> None:
    held = Held(longest_ns=25e9)
    ns = np.arange(100, dtype=np.int64) * 1_000_000_000
    column = pl.Series("J1.angle_deg", [1.0, *[None] * 49, 2.0, *[None] * 49])
    out = pl.concat([held.fill(column[:60], ns[:60]), held.fill(column[60:], ns[60:])])
    assert out.to_list() == [*[1.0] * 26, *[None] * 24, *[2.0] * 26, *[None] * 24]
    assert held.filled == 50


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), at_once=st.integers(2, 40), long=st.booleans())
def test_lost_samples_are_never_taken_for_unchanged_ones(
    seed: int, at_once: int, long: bool
) -> None:
    rng = np.random.default_rng(seed)
    values = moves(rng)
    lost = np.zeros(ROWS, dtype=bool)
    for start in rng.integers(0, ROWS - at_once, 40 if long else 300):
        lost[start : start + int(rng.integers(1, at_once + 1))] = True
    values[lost] = np.nan
    assert quiet_rows(values, "angle_deg", np.zeros(ROWS, dtype=bool)) is None
