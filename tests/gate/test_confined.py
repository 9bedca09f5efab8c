"""Logs from outside are read where they harm nobody: bounded in memory and time."""

from __future__ import annotations

import io
import os
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest
import xlsxwriter

from dashboards.queries import intake
from replay.archive import open_archive
from replay.workers.confined import Confined, LimitError, Limits
from tests.cleaning.logs import MAP, table, text
from tests.workers.chores import filling, own_pid, sleeping, ticking


def far_apart() -> bytes:
    """Return a workbook of two cells, as far from each other as a sheet has them."""
    made = io.BytesIO()
    with xlsxwriter.Workbook(made) as book:
        sheet = book.add_worksheet()
        sheet.write("A1", 1)
        sheet.write("XFD1048576", 2)
    return made.getvalue()


@pytest.fixture
def hall(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[intake.Intake]:
    (tmp_path / "dropped").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "dropped"))
    made = intake.Intake()
    yield made
    made.close()


def test_two_cells_far_apart_are_refused_and_the_server_goes_on(
    hall: intake.Intake, tmp_path: Path
) -> None:
    batch = hall.open()
    logs = {"a.csv": text(table(60)).encode(), "far.xlsx": far_apart()}
    logs["z.csv"] = text(table(60, seed=2)).replace("2031-03-01", "2031-03-02").encode()
    assert len(logs["far.xlsx"]) < 8000
    for name, content in logs.items():
        hall.receive(batch, name, io.BytesIO(content), len(content))
    alone = {p.logs[0]: p.trouble for p in hall.propose(batch)}
    assert "more memory than 2.0 GB" in alone["far.xlsx"]
    assert "take that cell out" in alone["far.xlsx"]
    assert hall.look(batch, "a.csv", MAP).preview is not None, "the next look is answered"
    assert "more memory" in hall.look(batch, "far.xlsx", MAP).trouble
    archive = open_archive(tmp_path / "archive", create=True)
    result = intake.take(archive, hall.batch(batch), [MAP], None, lambda *_: None)
    assert [s.source for s in result.sessions] == ["a.csv", "z.csv"]
    assert result.unchanged == []
    assert [r.source for r in result.refused] == ["far.xlsx"]
    assert "nothing of it was stored" in result.refused[0].reason
    assert archive.sessions()["source"].to_list() == ["a.csv", "z.csv"]


@pytest.fixture(scope="module")
def reader() -> Iterator[Confined]:
    with Confined(Limits(1 << 30, 2.0)) as one:
        yield one


def test_what_takes_too_long_is_ended(reader: Confined) -> None:
    pid = reader(own_pid)
    assert pid != os.getpid()
    begin = time.monotonic()
    with pytest.raises(LimitError, match="longer than 2 s"):
        reader(sleeping, 60.0)
    assert time.monotonic() - begin < 30
    assert not psutil.pid_exists(pid)
    assert reader(own_pid) != pid, "another one takes its place"


def test_what_takes_too_much_memory_is_ended(reader: Confined) -> None:
    assert reader(filling, 100 << 20) == 100 << 20
    with pytest.raises(LimitError, match=r"more memory than 1\.0 GB"):
        reader(filling, 1 << 30)
    assert reader(filling, 100 << 20) == 100 << 20


def test_whoever_asked_can_stop_it(tmp_path: Path) -> None:
    ticks = tmp_path / "ticks"

    def stop(what: str, done: int, total: int) -> None:
        assert (what, done, total) == ("ticking", 0, 1000)
        raise InterruptedError

    with Confined(Limits(1 << 30, 50.0)) as one:
        with pytest.raises(InterruptedError):
            one(ticking, ticks, progress=stop)
        end, before = time.monotonic() + 20, -1
        while (now := len(ticks.read_text()) if ticks.exists() else 0) != before:
            assert time.monotonic() < end, "it goes on"
            before = now
            time.sleep(1)
        assert now < 500
