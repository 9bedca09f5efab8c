"""A stop by Ctrl-C is told as one, wherever it comes."""

from __future__ import annotations

import signal
import time
import weakref
from collections.abc import Iterator

import pytest

from replay.cli.logs import sessions
from replay.cli.main import EXIT_STOPPED, main


def _in_a_library(cause: type[BaseException]) -> None:
    try:
        raise cause
    except BaseException as error:
        raise ImportError("initialization failed") from error


def test_a_stop_within_a_library_that_a_command_loads_is_a_stop(monkeypatch, tmp_path, capsys):
    monkeypatch.setattr(sessions, "run", lambda _: _in_a_library(KeyboardInterrupt))
    assert main(["sessions", "--archive", str(tmp_path)]) == EXIT_STOPPED
    assert capsys.readouterr().err == "stopped\n"


def test_a_library_that_is_broken_is_not_told_as_a_stop(monkeypatch, tmp_path):
    monkeypatch.setattr(sessions, "run", lambda _: _in_a_library(OSError))
    with pytest.raises(ImportError, match="initialization failed"):
        main(["sessions", "--archive", str(tmp_path)])


class _Goes:
    """Something whose end is heard of."""


def _interrupted(_: object) -> None:
    raise KeyboardInterrupt


def _drops_an_interrupt(_: object) -> int:
    """Raise one where Python drops it, as it does in a thread pool that goes; then work on."""
    one = _Goes()
    ref = weakref.ref(one, _interrupted)
    del one
    assert ref() is None
    for _second in range(500):
        time.sleep(0.02)
    return 0


@pytest.fixture
def heard() -> Iterator[None]:
    """Hear interrupts, as a command in the foreground does; one started by ``&`` does not."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.usefixtures("heard")
def test_a_stop_that_comes_in_a_callback_of_what_goes_is_a_stop(monkeypatch, tmp_path, capsys):
    monkeypatch.setattr(sessions, "run", _drops_an_interrupt)
    begin = time.monotonic()
    assert main(["sessions", "--archive", str(tmp_path)]) == EXIT_STOPPED
    assert capsys.readouterr().err == "stopped\n"
    assert time.monotonic() - begin < 9  # long before the work is done
