"""What is given to the disk early is a head start, and never a reason to fail."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from replay.cleaning.stream.encode import Settler


def test_a_file_that_is_tidied_away_at_once_is_no_trouble(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As when a stop comes in the moment in which a file is begun."""
    failed: list[object] = []
    monkeypatch.setattr(threading, "excepthook", failed.append)
    Settler(tmp_path / "gone.parquet").close()
    assert failed == []
