"""Logs cleaned by several processes: the archive and what is told are as if one had done it."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import psutil
import pytest

from replay.archive import Archive, open_archive, repair, verify
from replay.cleaning import IngestResult, ingest
from replay.cli.main import main
from replay.workers.pool import Pool
from tests.crash.streams_of_logs import damages
from tests.workers.chores import dies_once
from tests.workers.test_pool import heed_interrupts

MAP = """[log]
arm = "bench"
joints = 1
[time]
column = "time"
format = "iso8601"
[joint.angle]
column = "angle"
unit = "deg"
[joint.current]
column = "current"
unit = "A"
"""

PARTS = (
    MAP.replace('"bench"', '"two halves"')
    .replace('"angle"', '"shaft"')
    .replace('"current"', '"amperes"')
)

PLAIN = 6


def log(path: Path, hour: int, *names: str, rows: int = 300) -> Path:
    path.parent.mkdir(exist_ok=True)
    lines = [",".join(["time", *(names or ("angle", "current"))])]
    for k in range(rows):
        seconds = f"2031-04-01T{hour:02d}:{k // 600:02d}:{k / 10 % 60:04.1f}Z"
        cells = [k % 50 / 10 + hour, (k * 7 + hour) % 13 / 10]
        lines.append(",".join([seconds, *(str(c) for c in cells[: len(names) or 2])]))
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Plain logs; and all that is not plain: what is stored has a say in each of these."""
    folder = tmp_path_factory.mktemp("logs")
    for hour in range(PLAIN):
        log(folder / f"h{hour}" / "log.csv", hour)
    log(folder / "h6-overlaps-h2.csv", 2, rows=200)
    shutil.copy(folder / "h3" / "log.csv", folder / "h7-again.csv")
    log(folder / "h8-no-current.csv", 8, "angle", "other")
    log(folder / "h9-angle.csv", 9, "shaft")
    log(folder / "h9-current.csv", 9, "amperes")
    grown = log(folder / "i-grows" / "log.csv", 11)
    whole = log(folder / "j-grown" / "log.csv", 11, rows=500)
    assert whole.read_text().startswith(grown.read_text())
    later, earlier = (log(folder / f"k{h}.csv", h).read_text().splitlines() for h in (14, 13))
    (folder / "k13.csv").unlink()
    (folder / "k14.csv").write_text("\n".join([*later, *earlier[1:]]) + "\n")
    (folder / "z.csv").write_bytes(b"\x00\x01\x02")
    (folder / "bench.map.toml").write_text(MAP)
    (folder / "parts.map.toml").write_text(PARTS)
    return folder


def maps(folder: Path) -> list[Path]:
    return [folder / "bench.map.toml", folder / "parts.map.toml"]


@pytest.fixture(scope="module")
def pool() -> Iterator[Pool]:
    with Pool(2) as two:
        yield two


@pytest.fixture(scope="module")
def alone(tmp_path_factory: pytest.TempPathFactory, logs: Path) -> tuple[Archive, IngestResult]:
    archive = open_archive(tmp_path_factory.mktemp("alone") / "archive", create=True)
    return archive, ingest(archive, logs, log_map=maps(logs))


def stored(archive: Archive) -> list[tuple[object, ...]]:
    """Return all that is stored of each session, by digest, in the catalogue's order."""
    return [
        (
            archive.session(name),
            archive.digests(name),
            archive.raw_files(name)[0][0],
            (archive.root / "samples" / name / "session.json").read_bytes(),
        )
        for name in archive.sessions()["session"]
    ]


def staged(archive: Archive) -> list[str]:
    return [p.name for p in (archive.root / "staging").iterdir() if p.is_dir()]


def test_the_archive_and_what_is_told_are_the_same_to_the_bit(
    tmp_path: Path, logs: Path, pool: Pool, alone: tuple[Archive, IngestResult]
) -> None:
    archive = open_archive(tmp_path / "archive", create=True)
    result = ingest(archive, logs, log_map=maps(logs), each=pool)
    assert result == alone[1]
    assert len(result.sessions) == PLAIN + 4, "both halves are one, both runs are two"
    assert len(result.refused) == 2, [r.source for r in result.refused]
    assert len(result.unchanged) == 1
    assert stored(archive) == stored(alone[0])
    assert staged(archive) == []


def test_what_is_there_already_is_told_as_before(
    tmp_path: Path, logs: Path, pool: Pool, alone: tuple[Archive, IngestResult]
) -> None:
    one, other = (
        open_archive(shutil.copytree(alone[0].root, tmp_path / name)) for name in ("one", "other")
    )
    again = ingest(one, logs, log_map=maps(logs))
    assert ingest(other, logs, log_map=maps(logs), each=pool) == again
    assert len(again.unchanged) > PLAIN
    assert stored(other) == stored(one)


def test_read_anew_each_takes_the_place_of_its_like(
    tmp_path: Path, logs: Path, pool: Pool, alone: tuple[Archive, IngestResult]
) -> None:
    given: Any = {"log_map": f"# read anew\n{MAP}", "replace_stored": True}
    plain = sorted(logs.glob("h[0-5]/log.csv"))
    one, other = (
        open_archive(shutil.copytree(alone[0].root, tmp_path / name)) for name in ("one", "other")
    )
    anew = ingest(one, plain, **given)
    assert len(anew.replaced) == PLAIN, anew.refused
    assert ingest(other, plain, each=pool, **given) == anew
    assert stored(other) == stored(one)


def test_plain_logs_are_cleaned_by_the_others_alone(
    tmp_path: Path, logs: Path, pool: Pool, monkeypatch: pytest.MonkeyPatch
) -> None:
    module = sys.modules["replay.cleaning.ingest"]  # the package's door has a function so named
    here: list[str] = []
    take = module._take

    def watched(archive: Archive, group: Any, *rest: Any) -> None:
        here.extend(p.parent.name for p in group.paths)
        take(archive, group, *rest)

    monkeypatch.setattr(module, "_take", watched)
    archive = open_archive(tmp_path / "archive", create=True)
    ingest(archive, logs, log_map=maps(logs), each=pool)
    assert not {f"h{k}" for k in range(PLAIN)} & set(here)
    assert here, "what is not plain is read here"


@pytest.mark.parametrize("count", [1, PLAIN])
def test_known_logs_are_opened_and_hashed_once(
    tmp_path: Path,
    logs: Path,
    alone: tuple[Archive, IngestResult],
    monkeypatch: pytest.MonkeyPatch,
    count: int,
) -> None:
    """By whoever was asked to clean them; all that is done here is to believe it."""
    archive = open_archive(shutil.copytree(alone[0].root, tmp_path / "archive"))
    plain = [logs / f"h{hour}" / "log.csv" for hour in range(count)]
    opened: list[Path] = []
    hashed: list[Path] = []

    def watch(module: str, name: str, seen: list[Path]) -> None:
        true = getattr(sys.modules[f"replay.cleaning.{module}"], name)

        def noted(given: Any, *rest: Any) -> Any:
            seen.extend([given] if isinstance(given, Path) else given)
            return true(given, *rest)

        monkeypatch.setattr(sys.modules[f"replay.cleaning.{module}"], name, noted)

    for module in ("clean_logs", "session_grouping"):
        watch(module, "open_log", opened)
    for module in ("cleaned_ahead", "ingest"):
        watch(module, "logs_sha256", hashed)

    def each(work: Any, items: Iterable[Any], /) -> Iterator[Any]:
        return map(work, items)

    again = ingest(archive, plain, log_map=maps(logs), each=each)
    assert (opened, hashed) == (plain, plain)
    assert len(set(again.unchanged)) == count
    assert ingest(archive, plain, log_map=maps(logs)) == again


@pytest.mark.parametrize("what", ["gone", "changed", "damaged"])
def test_what_was_known_is_asked_again_where_it_is_no_longer_so(
    tmp_path: Path, logs: Path, alone: tuple[Archive, IngestResult], what: str
) -> None:
    archive = open_archive(shutil.copytree(alone[0].root, tmp_path / "archive"))
    path = tmp_path / "h0" / "log.csv"
    path.parent.mkdir()
    shutil.copy(logs / "h0" / "log.csv", path)
    (known,) = (s for s in alone[1].sessions if s.start.hour == 0)

    def each(work: Any, items: Iterable[Any], /) -> Iterator[Any]:
        for made in map(work, items):
            assert made.session == known.session
            if what == "gone":
                archive.withdraw(known.session, reason="meanwhile")
            elif what == "changed":
                log(path, 20)
            else:
                kept = archive.raw_files(known.session)[0][1]
                assert isinstance(kept, Path)
                kept.write_bytes(b"?")
            yield made

    result = ingest(archive, [path], log_map=maps(logs), each=each)
    assert not result.refused, result.refused[0].reason
    hours = [s.start.hour for s in result.sessions]
    assert hours == {"gone": [0], "changed": [20], "damaged": []}[what]
    assert result.mended == ([known.session] if what == "damaged" else [])


def test_a_worker_that_is_killed_loses_nothing(
    tmp_path: Path, logs: Path, alone: tuple[Archive, IngestResult]
) -> None:
    archive = open_archive(tmp_path / "archive", create=True)
    with Pool(2) as two:

        def each(work: Any, items: Iterable[Any], /) -> Iterator[Any]:
            return two(partial(dies_once, tmp_path, work), items)

        result = ingest(archive, logs, log_map=maps(logs), each=each)
    assert (tmp_path / "died").exists()
    assert result == alone[1]
    assert stored(archive) == stored(alone[0])
    assert staged(archive) == []


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("many")
    for hour in range(24):
        log(folder / "logs" / f"h{hour:02d}.csv", hour, rows=2000)
    (folder / "bench.map.toml").write_text(MAP)
    return folder


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT])
def test_an_ingest_that_is_ended_leaves_whole_sessions(
    tmp_path: Path, many: Path, how: signal.Signals
) -> None:
    root = tmp_path / "archive"
    words = ["ingest", str(many / "logs"), "--map", str(many / "bench.map.toml")]
    words += ["--archive", str(root)]
    child = subprocess.Popen(
        [sys.executable, "-m", "replay", *words, "--workers", "2"],
        cwd=Path(__file__).parents[2],
        stderr=subprocess.PIPE,
        start_new_session=True,
        preexec_fn=heed_interrupts,
    )
    end = time.monotonic() + 60
    while not (root / "samples").is_dir() or len(list((root / "samples").iterdir())) < 2:
        assert time.monotonic() < end
        assert child.poll() is None
        time.sleep(0.02)
    workers = psutil.Process(child.pid).children(recursive=True)
    assert len(workers) >= 2
    if how is signal.SIGINT:
        os.killpg(child.pid, how)  # as a terminal does: all of them at once
    else:
        child.kill()
    said = child.communicate(timeout=30)[1].decode()
    _, alive = psutil.wait_procs(workers, timeout=20)
    assert alive == []
    archive = open_archive(root)
    found = archive.sessions().height
    assert 0 < found < 24, said
    assert damages(root) == []
    if how is signal.SIGINT:
        assert "Traceback" not in said
        assert "stopped" in said
        assert staged(archive) == []
    assert main(words) == 0
    repair(archive)
    assert archive.sessions()["session"].n_unique() == archive.sessions().height == 24
    assert verify(archive) == []
