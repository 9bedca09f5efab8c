"""A stop by Ctrl-C is told as one, wherever it comes."""

from __future__ import annotations

import pytest

from replay.cli import sessions
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
