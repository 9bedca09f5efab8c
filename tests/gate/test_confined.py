"""Logs from outside are read where they harm nobody: bounded in memory and time."""

from __future__ import annotations

import contextlib
import io
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest
import xlsxwriter

from dashboards.queries import intake
from replay.archive import open_archive
from replay.workers.confined import Confined, LimitError, Limits, ReaderEnded
from tests.cleaning.logs import MAP, table, text
from tests.workers import chores
from tests.workers.chores import filling, own_pid, sleeping, ticking


def far_apart() -> bytes:
    """Return a workbook of two cells, as far from each other as a sheet has them."""
    made = io.BytesIO()
    with xlsxwriter.Workbook(made) as book:
        sheet = book.add_worksheet()
        sheet.write("A1", 1)
        sheet.write("XFD1048576", 2)
    return made.getvalue()


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
    assert "more memory than 2.0 GiB" in alone["far.xlsx"]
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
    with pytest.raises(LimitError, match=r"more memory than 1\.0 GiB") as ended:
        reader(filling, 1 << 30)
    assert "cell" not in str(ended.value), "what was asked need not be a table"
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
            time.sleep(0.5)
        assert now < 500


def test_what_a_reader_that_was_ended_wrote_goes_with_it(reader: Confined, tmp_path: Path) -> None:
    told = tmp_path / "told"
    with pytest.raises(LimitError, match="longer than 2 s"):
        reader(chores.littering, told)
    assert not Path(told.read_text()).exists()


def test_a_reader_that_broke_is_not_told_as_too_large(reader: Confined) -> None:
    with pytest.raises(LimitError, match="its reader ended") as ended:
        reader(chores.broken)
    assert "memory" not in str(ended.value)
    assert "SIGSEGV" in str(ended.value)
    assert reader(own_pid), "another one takes its place"


def test_what_the_work_itself_says_is_not_told_as_a_limit(reader: Confined) -> None:
    with pytest.raises(TimeoutError, match="from the sensor"):
        reader(chores.timing_out)


def test_a_reader_that_ended_with_nothing_to_do_is_started_anew(reader: Confined) -> None:
    psutil.Process(pid := reader(own_pid)).kill()
    time.sleep(0.7)  # for those who look after it
    assert reader(own_pid) != pid


def test_a_batch_may_take_long_and_one_log_may_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(intake, "take_here", chores.taking_slowly)
    archive = open_archive(tmp_path / "archive", create=True)
    batch = intake.Batch(tmp_path, 0.0, logs=[*"abcde", "hangs.csv"])
    limits = Limits(1 << 30, 1.2)
    result = intake.take(archive, batch, [MAP], None, lambda *_: None, limits)
    assert [r.source for r in result.refused] == ["hangs.csv"]
    assert result.proposed == [*"abcde"], "as the work itself told"


def busy(reader: Confined) -> None:
    """Let a reader work on something for a while, and return once it does."""

    def hold() -> None:
        with contextlib.suppress(LimitError):
            reader(chores.ticking, Path(os.devnull), progress=lambda *_: begun.set())

    begun = threading.Event()
    threading.Thread(target=hold, daemon=True).start()
    assert begun.wait(60)


def test_a_hostile_log_holds_nobody_else_up(hall: intake.Intake) -> None:
    batch = hall.open()
    hall.receive(batch, "a.csv", io.BytesIO(text(table(60)).encode()), None)
    busy(hall._reader)
    begin = time.monotonic()
    assert hall.look(batch, "a.csv", MAP).preview is not None
    assert time.monotonic() - begin < 25, "the other one works for 50 s"


def test_who_waits_for_others_is_told_after_a_while(
    hall: intake.Intake, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Confined(intake.LOOK) as one:
        monkeypatch.setattr(hall, "_reader", one)
        batch = hall.open()
        for name in ("a.csv", "b.csv"):
            hall.receive(batch, name, io.BytesIO(b"a,b\n1,2\n"), None)
        busy(one)
        monkeypatch.setattr(one, "_wait_s", 1.0)
        begin = time.monotonic()
        told = hall.propose(batch)
        assert time.monotonic() - begin < 10, "not once more for each log"
        assert [p.logs for p in told] == [("a.csv", "b.csv")]
        assert "other work took so long" in told[0].trouble
        assert "nothing is wrong with it" in told[0].trouble
        assert "try again" in hall.look(batch, "a.csv", MAP).trouble


def test_who_waits_is_told_when_the_server_stops() -> None:
    one = Confined(Limits(1 << 30, 50.0))
    said: list[BaseException] = []

    def ask() -> None:
        try:
            one(ticking, Path(os.devnull), progress=lambda *_: begun.set())
        except ReaderEnded as error:
            said.append(error)

    begun = threading.Event()
    asking = threading.Thread(target=ask, daemon=True)
    asking.start()
    assert begun.wait(60)
    one.close()
    asking.join(15)
    assert len(said) == 1
