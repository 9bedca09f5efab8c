"""kill -9 at any moment of an ingest: nothing damaged, nothing lost, nothing twice.

A dozen kills by default; JOINTBOOK_KILLS=200 for the long run.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from replay.archive import open_archive, repair, verify
from tests.crash.streams_of_logs import LOGS, damages, digests, ingest_all, write_logs

KILLS = int(os.environ.get("JOINTBOOK_KILLS", "12"))

CHILD = """
import json, sys
import replay.cleaning, replay.archive, deltalake, pyarrow.parquet
from tests.crash.streams_of_logs import ingest_all
print("ready", flush=True)
ingest_all(sys.argv[1], [tuple(p) for p in json.loads(sys.argv[2])])
print("done", flush=True)
"""


def start(root: Path, pairs: list[tuple[str, str]]) -> subprocess.Popen[str]:
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(root), json.dumps(pairs)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[2],
    )
    assert child.stdout is not None
    assert child.stdout.readline() == "ready\n"
    return child


@pytest.mark.timeout(60 + 6 * KILLS)
def test_killed_at_any_moment(tmp_path: Path) -> None:
    pairs = write_logs(tmp_path)
    reference = tmp_path / "reference"
    began = time.monotonic()
    child = start(reference, pairs)
    began = time.monotonic()
    assert child.wait() == 0
    whole_s = time.monotonic() - began
    expected = digests(reference)
    assert len(expected) == LOGS

    root = tmp_path / "archive"
    moments = random.Random(4)
    killed = finished = 0
    reached = set()
    while killed < KILLS:
        child = start(root, pairs)
        time.sleep(moments.uniform(0, whole_s * 0.7))
        child.send_signal(signal.SIGKILL)
        if child.wait() == 0:
            finished += 1
        else:
            killed += 1
        if not (root / "jointbook.json").exists():
            reached.add("before the archive")
            continue
        assert damages(root) == []
        found = digests(root)
        assert found == {name: expected[name] for name in found}
        reached.add(len(found))
        if len(found) == LOGS:
            shutil.rmtree(root)
    assert len(reached) > 2, f"the kills hit too few moments: {reached}"

    ingest_all(str(root), pairs)
    assert digests(root) == expected
    archive = open_archive(root)
    assert archive.tables.read("sessions")["session"].n_unique() == LOGS
    assert archive.tables.read("sessions").height == LOGS
    repair(archive)
    assert verify(archive) == []
    print(f"{killed} kills, {finished} finished first, states reached: {reached}")
