"""The processes of one machine: in order, bounded, gone at the end, the same bits as alone."""

from __future__ import annotations

import os
import pickle
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from replay.archive import Archive
from replay.checks import check_all
from replay.cli.main import main
from replay.workers import WorkersError, in_turn
from replay.workers.pool import AHEAD, Pool
from tests.workers.chores import die_at_three, late_first, squared
from tests.workers.conftest import Alone, concluded


@pytest.fixture(scope="module")
def pool() -> Iterator[Pool]:
    with Pool(2) as two:
        yield two


def test_flags_baseline_and_indicators_are_the_same_to_the_bit(
    alone: Alone, bare: Archive, pool: Pool
) -> None:
    assert alone.outcome[0], "the archive has something to flag"
    assert concluded(bare, pool)[1] == alone.outcome


def test_results_come_in_order_and_little_is_drawn_ahead(pool: Pool) -> None:
    drawn: list[int] = []

    def counting() -> Iterator[int]:
        for k in range(20):
            drawn.append(k)
            yield k

    got = []
    for result in pool(late_first, counting()):
        got.append(result)
        assert len(drawn) <= len(got) + AHEAD * pool.count
    assert got == list(range(20))


def test_one_that_cannot_be_checked_is_told_and_the_others_go_on(
    alone: Alone, learned: Archive, pool: Pool
) -> None:
    told: list[tuple[str, str]] = []
    names = ["s0", "no such", "s5"]
    results = list(
        check_all(learned, names, alone.baseline,
                  on_error=lambda *w: told.append((w[0], str(w[1]))),
                  each=pool)
    )  # fmt: skip
    assert [r.session for r in results] == ["s0", "s5"]
    assert [name for name, _ in told] == ["no such"]
    assert "no session 'no such'" in told[0][1]


def test_a_worker_that_dies_is_told_in_words() -> None:
    with Pool(2) as two, pytest.raises(WorkersError, match="fewer --workers"):
        list(two(die_at_three, range(8)))


SLEEPER = """
import sys
from functools import partial
from pathlib import Path
from replay.workers.pool import Pool
from tests.workers.chores import napping
if __name__ == "__main__":
    with Pool(2) as two:
        list(two(partial(napping, Path(sys.argv[1])), range(8)))
"""


def test_who_lets_the_work_go_finds_nobody_at_it() -> None:
    """As a stop does that comes while results are stored: what they work in goes next."""
    others = set(psutil.Process().children(recursive=True))
    with Pool(2) as two:
        results = two(late_first, range(20))
        next(results)
        workers = set(psutil.Process().children(recursive=True)) - others
        workers = {w for w in workers if "spawn_main" in " ".join(w.cmdline())}
        assert workers
        results.close()  # type: ignore[attr-defined]
        assert [w for w in workers if w.is_running()] == []


def heed_interrupts() -> None:
    """Undo what a shell leaves to the commands that it runs in the background."""
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGKILL])
def test_no_worker_outlives_the_command(tmp_path: Path, how: signal.Signals) -> None:
    script = tmp_path / "sleeper.py"
    script.write_text(SLEEPER)
    seen = tmp_path / "seen"
    seen.mkdir()
    root = Path(__file__).parents[2]
    child = subprocess.Popen(
        [sys.executable, str(script), str(seen)],
        env={**os.environ, "PYTHONPATH": str(root)},
        stderr=subprocess.PIPE,
        start_new_session=True,
        preexec_fn=heed_interrupts,
    )
    end = time.monotonic() + 60
    while len(list(seen.iterdir())) < 2:
        assert time.monotonic() < end
        time.sleep(0.05)
    workers = [psutil.Process(int(p.name)) for p in seen.iterdir()]
    if how is signal.SIGINT:
        os.killpg(child.pid, how)  # as a terminal does: all of them at once
    else:
        child.kill()
    _, alive = psutil.wait_procs(workers, timeout=20)
    assert alive == []
    said = child.communicate(timeout=20)[1]
    if how is signal.SIGINT:
        assert b"KeyboardInterrupt" in said
        assert said.count(b"Traceback") == 1, "the workers are silent"


def test_numbers_of_workers_that_make_no_sense_are_refused(
    bare: Archive, capsys: pytest.CaptureFixture[str]
) -> None:
    for words in (["--workers", "0"], ["--workers", "2", "--scheduler", "tcp://127.0.0.1:1"]):
        assert main(["learn", "--archive", str(bare.root), *words]) == 2
    said = capsys.readouterr().err
    assert "1 to 256" in said
    assert "give one of them" in said


def test_an_archive_travels_as_its_address(bare: Archive) -> None:
    there = pickle.loads(pickle.dumps(bare))
    assert there is pickle.loads(pickle.dumps(bare)), "opened once a process"
    assert there.sessions().equals(bare.sessions())
    assert list(in_turn(squared, [1, 2])) == [1, 4]
