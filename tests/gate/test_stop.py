"""The server's stop: jobs come to their next step, what was dropped is deleted."""

from __future__ import annotations

import io
import os
import tempfile
import threading
from pathlib import Path

import pytest

from dashboards.jobs import Jobs, Step
from dashboards.queries import intake
from replay.errors import LogMapError, UsageError
from tests.gate.conftest import Halls


def test_a_running_job_finishes_its_step_and_begins_no_other() -> None:
    jobs, begun, let_go, stored = Jobs(), threading.Event(), threading.Event(), []

    def work(step: Step) -> None:
        for k in range(3):
            step(k, 3)
            begun.set()
            let_go.wait(10)
            stored.append(k)

    jobs.start("take in", work)
    begun.wait(10)
    threading.Timer(0.2, let_go.set).start()
    assert jobs.stop_all(10)
    assert stored == [0], "the log in hand was stored whole, the next was not begun"
    assert [s.state for s in jobs.states()] == ["cancelled"]


def test_a_job_that_does_not_come_to_its_step_is_not_waited_for_for_ever() -> None:
    jobs, let_go = Jobs(), threading.Event()
    jobs.start("hangs", lambda step: let_go.wait(10) and None)
    assert not jobs.stop_all(0.3)
    let_go.set()


def test_what_a_dead_dashboard_left_is_swept_and_what_a_live_one_holds_is_not(
    halls: Halls,
) -> None:
    tmp_path = Path(tempfile.gettempdir())
    gone = tmp_path / "jointbook-intake-4194399-x"  # beyond the largest process number
    odd = tmp_path / "jointbook-intake-99999999999999999999-x"
    gone.mkdir()
    odd.mkdir()
    hall = halls(str)
    name = hall.open()
    held = hall.batch(name).folder
    assert f"-{os.getpid()}-" in held.name
    halls(str)
    assert held.exists()
    assert odd.exists()
    assert not gone.exists()
    hall.close()
    assert not held.exists()


def test_a_quota_holds_for_files_of_told_and_untold_length(
    halls: Halls, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(intake, "QUOTA_BYTES", 100)
    who = ["ann"]
    hall = halls(lambda: who[0])
    batch = hall.open()
    hall.receive(batch, "a.csv", io.BytesIO(b"x" * 60), 60)
    for size in (60, None):
        with pytest.raises(UsageError, match="not taken in"):
            hall.receive(batch, "b.csv", io.BytesIO(b"x" * 60), size)
        assert not list(hall.batch(batch).folder.glob("b.csv*"))
    who[0] = "max"
    with pytest.raises(UsageError, match="no longer here"):
        hall.batch(batch)
    hall.discard(batch)
    who[0] = "ann"
    assert hall.batch(batch).folder.exists(), "another's word discards nothing"


def test_a_map_from_outside_names_no_file_of_the_server() -> None:
    text = '[packets]\nxtce = "/etc/hostname"\n'
    with pytest.raises(LogMapError, match="names no file of the server"):
        intake.own_map(text)
    with pytest.raises(LogMapError, match="names no file of the server"):
        intake.check_map(text)
