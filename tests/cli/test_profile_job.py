"""The command that says where time and memory go: its parts are the whole, and go to the right."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from replay.archive import open_archive
from tests.benchmarks.profile_job import ELSEWHERE, ROOT, by_room, measured, stages_of
from tests.cleaning.logs import MAP, table

LOGS, MODELS = ((f"{ROOT}{room}/file.py", 1, "work") for room in ("logs", "models"))
SORT, KEY, DEEP, START = (("lib.py", line, "f") for line in range(4))
Entry = tuple[int, int, float, float, dict[Any, tuple[int, int, float, float]]]


def called(own_s: float, callers: dict[Any, tuple[float, float]]) -> Entry:
    """Return a profile's line: own time, and own and whole time by caller."""
    return 1, 1, own_s, own_s, {who: (1, 1, *times) for who, times in callers.items()}


def test_a_librarys_time_goes_to_who_called_it() -> None:
    stats = {
        START: called(0.5, {}),
        LOGS: called(1.0, {START: (1.0, 5.0)}),
        MODELS: called(2.0, {START: (2.0, 9.0)}),
        SORT: called(4.0, {LOGS: (1.0, 2.4), MODELS: (3.0, 2.4)}),
        KEY: called(0.8, {SORT: (0.8, 0.8)}),
    }
    found = by_room(stats)
    assert found[ELSEWHERE] == pytest.approx(0.5)
    assert found["logs"] == pytest.approx(1.0 + 1.0 + 0.4)  # the key's by whole time: half
    assert found["models"] == pytest.approx(2.0 + 3.0 + 0.4)


def test_libraries_that_call_each_other_lose_no_time() -> None:
    stats = {
        LOGS: called(1.0, {}),
        SORT: called(2.0, {LOGS: (1.0, 3.0), KEY: (1.0, 1.0)}),
        KEY: called(1.0, {SORT: (1.0, 2.0)}),
        DEEP: called(7.0, {DEEP: (7.0, 7.0)}),
    }
    found = by_room(stats)
    assert found["logs"] == pytest.approx(4.0)
    assert found[ELSEWHERE] == pytest.approx(7.0), "what calls nobody but itself"


def test_the_shares_of_a_job_add_up_to_the_whole(tmp_path: Path) -> None:
    log, log_map = tmp_path / "log.csv", tmp_path / "log.map.toml"
    table(2000).write_csv(log)
    log_map.write_text(MAP)
    archive = open_archive(tmp_path / "archive", create=True)
    stage = next(stages_of(archive, [str(log)], [log_map], None))
    assert archive.sessions().height == 1
    assert sum(stage.seconds.values()) == pytest.approx(stage.wall_s, rel=0.1)
    assert {"logs", "cleaning", "archive"} <= set(stage.seconds)
    assert "models" not in stage.seconds
    shares = [float(line.split()[-2].rstrip("%")) for line in stage.lines()[1:-1]]
    assert sum(shares) == pytest.approx(100, abs=0.05 * len(shares))
    assert shares == sorted(shares, reverse=True)


def test_the_peak_is_that_of_the_job(tmp_path: Path) -> None:
    import numpy as np

    _, small = measured("small", lambda: np.ones(1000).sum())
    _, large = measured("large", lambda: np.ones(40_000_000).sum())
    assert max(large.peaks_mib.values()) - max(small.peaks_mib.values()) == pytest.approx(305, 0.2)
