"""A long session is read piece by piece, and comes out as if read at once."""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from replay.archive import Archive, open_archive
from replay.demo import SessionPlan, session_record, simulate_session
from replay.models import readings
from replay.models.readings import read_session, readings_of


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    plan = SessionPlan(
        start=datetime(2031, 4, 1, tzinfo=UTC),
        minutes=3.0,
        rate_hz=20.0,
        style="inspection",
        base_end="A",
        payload_kg=0.0,
        arm_seed=5,
        faults=(),
    )
    frame, _ = simulate_session(plan, 11)
    made = open_archive(tmp_path / "archive", create=True)
    made.add_session(session_record(plan, frame, name="s"), {"main": frame})
    return made


def test_pieces_come_out_as_the_whole(
    archive: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = archive.session("s")
    whole = read_session(archive, record)
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(scratch))
    monkeypatch.setattr(readings, "PIECE_ROWS", record.rows // 3)
    waiting = 0
    pieces = []
    for reading in readings_of(archive, record):
        waiting = max(waiting, len(list(scratch.rglob("*.bins"))))
        pieces.append(reading)
    assert waiting == len(whole) - 1  # all but the one in hand
    assert not list(scratch.iterdir())
    assert [r.joint for r in pieces] == [r.joint for r in whole]
    for one, other in zip(pieces, whole, strict=True):
        assert int(one.bins.count.sum()) == int(other.bins.count.sum()) == record.rows
        assert np.array_equal(one.bins.first[1:], one.bins.last[:-1] + 1)
        same, here, there = np.intersect1d(
            one.bins.first * 10**6 + one.bins.last,
            other.bins.first * 10**6 + other.bins.last,
            return_indices=True,
        )
        assert same.size > 0.98 * len(other.bins)
        for name in ("current", "rate", "angle_first", "temperature", "end_s"):
            left, right = getattr(one.bins, name)[here], getattr(other.bins, name)[there]
            assert np.allclose(left, right, atol=1e-9, equal_nan=True), name
