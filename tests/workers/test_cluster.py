"""A real scheduler and real workers: one is killed, then the scheduler goes."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import IO

import pytest

from replay.archive import Archive
from replay.checks import check_all
from replay.cli.main import main
from replay.errors import ArchiveError, UsageError
from replay.workers import WorkersError
from replay.workers.cluster import Cluster
from tests.workers.chores import napping_once, squared
from tests.workers.conftest import NAMES, Alone, outcome

pytestmark = pytest.mark.timeout(120)
ROOT = Path(__file__).parents[2]


def started(*words: str, log: IO[bytes]) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "dask", *words], cwd=ROOT, stdout=log, stderr=log,
        env={**os.environ, "PYTHONPATH": str(ROOT), "POLARS_MAX_THREADS": "1"},
    )  # fmt: skip


@dataclass
class Machines:
    address: str
    scheduler: subprocess.Popen[bytes]
    workers: list[subprocess.Popen[bytes]]


@pytest.fixture(scope="module")
def machines(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machines]:
    """A scheduler and two workers of one thread, as an operator would start them."""
    folder = tmp_path_factory.mktemp("machines")
    contact = folder / "scheduler.json"
    with (folder / "log").open("wb") as log:
        words = ["--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--no-show"]
        scheduler = started("scheduler", *words, "--scheduler-file", str(contact), log=log)
        nodes: list[subprocess.Popen[bytes]] = []
        try:
            for _ in range(2):
                words = ["--scheduler-file", str(contact), "--nthreads", "1", "--no-nanny"]
                words += ["--no-dashboard", "--local-directory", str(folder)]
                nodes.append(started("worker", *words, log=log))
            end = time.monotonic() + 60
            while not contact.exists():
                assert time.monotonic() < end, (folder / "log").read_text()
                time.sleep(0.1)
            address = json.loads(contact.read_text())["address"]
            with Cluster(address) as cluster:
                while cluster._threads() < 2:
                    assert time.monotonic() < end, (folder / "log").read_text()
                    time.sleep(0.1)
            yield Machines(address, scheduler, nodes)
        finally:
            for process in [*nodes, scheduler]:
                process.kill()
                process.wait()


def test_the_commands_give_what_one_machine_gives(
    alone: Alone, bare: Archive, machines: Machines
) -> None:
    there = ["--archive", str(bare.root), "--json", "--scheduler", machines.address]
    for words in (["learn", *NAMES[:5]], ["check", *NAMES], ["wear"]):
        assert main([*words, *there]) == 0
    assert outcome(bare) == alone.outcome


def test_errors_come_back_in_their_words(bare: Archive, machines: Machines) -> None:
    with Cluster(machines.address) as cluster, pytest.raises(ArchiveError, match="no session"):
        list(cluster(bare.session, ["s0", "nothing"]))


def test_a_worker_killed_in_its_work_leaves_nothing_double_or_missing(
    tmp_path: Path, machines: Machines
) -> None:
    """The work it held is done by the other; results still come once and in order."""
    with Cluster(machines.address) as cluster:
        results = cluster(partial(napping_once, tmp_path), range(12))
        got = [next(results)]
        end = time.monotonic() + 30
        while not (held := list(tmp_path.glob("*.pid"))):
            assert time.monotonic() < end
            time.sleep(0.02)
        victim = int(held[0].read_text())
        assert victim in [w.pid for w in machines.workers]
        os.kill(victim, signal.SIGKILL)
        got += results
    assert got == [squared(k) for k in range(12)]
    assert list(tmp_path.glob("*.again")), "the killed worker's piece was done anew"


def test_a_scheduler_that_goes_is_told_and_what_was_stored_is_whole(
    alone: Alone, learned: Archive, machines: Machines
) -> None:
    told = []

    def until_it_goes() -> None:
        with Cluster(machines.address) as cluster:
            for result in check_all(learned, NAMES * 20, alone.baseline, each=cluster):
                told.append(result)
                if len(told) == 3:
                    machines.scheduler.kill()

    with pytest.raises(WorkersError, match="has gone"):
        until_it_goes()
    assert outcome(learned) == alone.outcome, "checked again or not, each session is there once"
    with pytest.raises(UsageError, match="no Dask scheduler answers"):
        Cluster(machines.address)
