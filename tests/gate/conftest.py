"""A hall for logs that are dropped, in a folder of its own, whose processes end with the test."""

from __future__ import annotations

import multiprocessing
import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from dashboards.queries import intake

Halls = Callable[[Callable[[], str]], intake.Intake]


@pytest.fixture(autouse=True, scope="module")
def nothing_is_left() -> Iterator[None]:
    """Every process that a module's tests start ends with them."""
    before = set(multiprocessing.active_children())
    yield
    assert set(multiprocessing.active_children()) <= before


@pytest.fixture
def halls(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Halls]:
    (tmp_path / "a room").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "a room"))
    with ExitStack() as made:

        def one(owner: Callable[[], str] = lambda: "") -> intake.Intake:
            hall = intake.Intake(owner)
            made.callback(hall.close)
            return hall

        yield one


@pytest.fixture
def hall(halls: Halls) -> intake.Intake:
    return halls(lambda: "")
