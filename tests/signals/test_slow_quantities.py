"""A temperature that its recorder writes only when it has changed is known all the while."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np

from replay.archive import Archive
from replay.models.conditions import lagged
from replay.signals import joint_table
from tests.signals.makers import START, archive_of

STEP_S = 0.05
LENGTH_S = 1200.0


def warming(folder: Path, *, silent_s: tuple[float, float] = (0.0, 0.0)) -> Archive:
    """A winding from 20 C by 1.2 K a minute, written each half kelvin; a gap told of nothing."""
    t = np.arange(0, LENGTH_S, STEP_S)
    true = 20 + 0.02 * t
    written = np.concatenate([[True], np.diff(np.floor(true / 0.5)) > 0])
    written &= ~((t > silent_s[0]) & (t < silent_s[1]))
    angle = 5 * np.sin(2 * np.pi * t / 20)
    columns = {
        "J1.angle_deg": angle,
        "J1.current_a": np.sign(np.gradient(angle)),
        "J1.temperature_c": [float(v) if w else None for v, w in zip(true, written, strict=True)],
    }
    return archive_of(folder / "archive", {"main": columns}, {"main": t})


def test_it_is_known_at_every_row(tmp_path):
    table = joint_table(warming(tmp_path), "s", "J1")
    t, found = table["t_s"].to_numpy(), table["temperature_c"].to_numpy()
    assert np.isfinite(found).all()
    np.testing.assert_allclose(found, 20 + 0.02 * t, atol=0.5)


def test_an_excerpt_knows_what_was_told_before_it(tmp_path):
    archive = warming(tmp_path)
    start = START + timedelta(seconds=610)  # told at 600 s and at 625 s
    table = joint_table(archive, "s", "J1", start=start, end=start + timedelta(seconds=8))
    found = table["temperature_c"].to_numpy()
    assert table.height > 100
    np.testing.assert_allclose(found, 20 + 0.02 * table["t_s"].to_numpy(), atol=0.6)


def test_an_excerpt_without_a_reading_looks_further_in_a_stream_of_its_own(tmp_path):
    t, slow = np.arange(0, LENGTH_S, STEP_S), np.arange(0, LENGTH_S, 60.0)
    main = {"J1.angle_deg": 5 * np.sin(t), "J1.current_a": np.cos(t)}
    streams = {"main": main, "slow": {"J1.temperature_c": 20 + 0.02 * slow}}
    archive = archive_of(tmp_path / "archive", streams, {"main": t, "slow": slow})
    start = START + timedelta(seconds=610)
    table = joint_table(archive, "s", "J1", start=start, end=start + timedelta(seconds=8))
    np.testing.assert_allclose(table["temperature_c"], 20 + 0.02 * table["t_s"], atol=1e-6)


def test_beyond_ten_minutes_without_a_word_it_is_not_known(tmp_path):
    table = joint_table(warming(tmp_path, silent_s=(100.0, 1000.0)), "s", "J1")
    t, found = table["t_s"].to_numpy(), table["temperature_c"].to_numpy()
    assert np.isnan(found[(t > 101) & (t < 999)]).all()
    assert np.isfinite(found[(t < 99) | (t > 1001)]).all()


def test_the_model_takes_no_unwritten_temperature_for_the_usual_one():
    true = 20 + 0.005 * np.arange(0, LENGTH_S, 0.2)
    told = np.where(np.arange(true.size) % 200 == 0, true, np.nan)
    for lag, heat in lagged(told, 0.2).items():
        inner = slice(1500, -1500)  # a slope needs two minutes on both sides
        np.testing.assert_allclose(heat[inner], true[inner] + 0.005 * lag, atol=0.3)
