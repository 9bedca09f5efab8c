"""kill -9 at any moment of an ingest: nothing damaged, nothing lost, nothing twice.

Nine kills by default; JOINTBOOK_KILLS=200 for the long run.
"""

from __future__ import annotations

import os
import random
import shutil
import time
from pathlib import Path

import pytest

from replay.archive import open_archive, repair, verify
from tests.crash.streams_of_logs import LOGS, damages, digests, write_logs
from tests.crash.victims import Victims

KILLS = int(os.environ.get("JOINTBOOK_KILLS", "9"))


@pytest.mark.timeout(60 + 20 * KILLS)
def test_killed_at_any_moment(tmp_path: Path) -> None:
    pairs = write_logs(tmp_path, rows=8000)
    reference, root = tmp_path / "reference", tmp_path / "archive"
    moments = random.Random(4)
    killed = finished = 0
    reached: set[int] = set()
    with Victims() as victims:
        began = time.monotonic()
        assert victims.run(what="ingest", root=str(reference), pairs=pairs) == 0
        whole_s = time.monotonic() - began
        expected = digests(reference)
        assert len(expected) == LOGS
        while killed < KILLS:
            after_s = moments.uniform(0, whole_s * 0.8)
            code = victims.run(what="ingest", root=str(root), pairs=pairs, after_s=after_s)
            assert code in (0, -9)
            killed, finished = killed + (code == -9), finished + (code == 0)
            if not (root / "jointbook.json").exists():
                continue
            assert damages(root) == []
            found = digests(root)
            assert found == {name: expected[name] for name in found}
            reached.add(len(found))
            if len(found) == LOGS:
                shutil.rmtree(root)
        assert len(reached) > 2, f"the kills hit too few moments: {reached}"
        assert victims.run(what="ingest", root=str(root), pairs=pairs) == 0
    assert digests(root) == expected
    archive = open_archive(root)
    assert archive.tables.read("sessions")["session"].n_unique() == LOGS
    assert archive.tables.read("sessions").height == LOGS
    repair(archive)
    assert verify(archive) == []
    print(f"{killed} kills, {finished} finished first, sessions found after a kill: {reached}")
