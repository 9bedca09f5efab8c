"""A full disk and a read-only one: refused with the reason, nothing half-written."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import polars as pl
import pytest

from replay.archive import open_archive, repair, verify
from replay.cli.main import main
from replay.errors import ArchiveError
from tests.archive.streams import record, stream
from tests.crash.streams_of_logs import write_logs


@contextmanager
def mounted(where: Path, *options: str) -> Iterator[Path]:
    """Mount a small disk in memory; skip where that is not allowed."""
    where.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", *options, "tmpfs", str(where)], check=False)
    if done.returncode:
        pytest.skip("mounting a small disk needs root and is not allowed here")
    try:
        yield where
    finally:
        subprocess.run(["umount", "-l", str(where)], check=False)


needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="mounting a small disk needs root")


@needs_root
def test_a_full_disk(tmp_path: Path) -> None:
    with mounted(tmp_path / "small", "-o", "size=6m") as small:
        archive = open_archive(small / "archive", create=True)
        frame = stream(20_000)
        archive.add_session(record("s1", frame), {"main": frame})
        large = stream(900_000, joints=2)
        with pytest.raises(ArchiveError, match="make room") as refused:
            archive.add_session(record("s2", large), {"main": large.lazy()})
        assert "nothing was stored" in str(refused.value)
        assert archive.sessions()["session"].to_list() == ["s1"]
        assert [f for f in verify(archive) if f.weight == "damage"] == []
        again = stream(20_000, seed=3)
        assert archive.add_session(record("s3", again), {"main": again})
        assert archive.samples("s3").collect().equals(again)


@needs_root
def test_a_disk_that_fills_while_tables_are_written(tmp_path: Path) -> None:
    with mounted(tmp_path / "small", "-o", "size=3m") as small:
        archive = open_archive(small / "archive", create=True)
        archive.append("pins", pl.DataFrame({"session": ["s"], "text": ["x"]}))
        (small / "filler").write_bytes(b"x" * (small_free(small) - 8192))
        text = pl.DataFrame({"session": ["s"], "text": ["y" * 2000]})
        with pytest.raises(ArchiveError):
            _ = [archive.append("pins", text) for _ in range(50)]
        (small / "filler").unlink()
        again = open_archive(small / "archive")
        assert again.table("pins").height >= 1
        again.append("pins", pl.DataFrame({"session": ["s"], "text": ["z"]}))
        assert "z" in again.table("pins")["text"].to_list()


def small_free(where: Path) -> int:
    room = os.statvfs(where)
    return room.f_bavail * room.f_frsize


@needs_root
@pytest.mark.parametrize("room", [0, 4096, 12_288, 24_576])
def test_mending_on_a_full_disk_leaves_what_was_there(tmp_path: Path, room: int) -> None:
    frame = stream(2000)
    with mounted(tmp_path / "small", "-o", "size=3m") as small:
        archive = open_archive(small / "archive", create=True)
        archive.add_session(record("s1", frame), {"main": frame})
        for n in range(4):
            flags = pl.DataFrame({"session": [f"s{n}"], "flag": [f"f{n}"]})
            archive.replace("flags", flags, session=[f"s{n}"])
            archive.append("pins", pl.DataFrame({"session": ["s1"], "text": [f"p{n}"]}))
        before = sorted(archive.table("pins")["text"])
        next((archive.root / "tables/pins").glob("*.parquet")).unlink()
        (archive.root / "samples/s1/session.json").unlink()
        next((archive.root / "tables/flags").glob("*.parquet")).write_bytes(b"no more")
        held = sorted(p for p in archive.root.rglob("*.parquet"))
        (small / "filler").write_bytes(b"x" * (small_free(small) - room))
        refused = ""
        try:
            repair(open_archive(archive.root), drop=True)
        except ArchiveError as error:
            refused = str(error)
        assert "make room" in refused or (room and not refused)
        kept = {p.name for p in archive.root.rglob("*.parquet")}
        assert {p.name for p in held} <= kept
        (small / "filler").unlink()
        repair(open_archive(archive.root), drop=True)
        again = open_archive(archive.root)
        assert sorted(again.table("pins")["text"]) == before
        assert again.samples("s1").collect().equals(frame)
        assert again.table("flags").height == 3
        assert [f for f in verify(again) if f.weight == "damage"] == []


@needs_root
def test_ingest_onto_a_full_disk_ends_with_the_reason(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ((log, log_map), *_) = write_logs(tmp_path, rows=60_000)
    with mounted(tmp_path / "small", "-o", "size=300k") as small:
        words = ["ingest", log, "--map", log_map, "--archive", str(small / "archive")]
        assert main(words) == 1
        assert "make room" in capsys.readouterr().err
        archive = open_archive(small / "archive")
        assert archive.sessions().height == 0
        assert [f for f in verify(archive) if f.weight == "damage"] == []


@needs_root
def test_a_read_only_archive_is_read_and_not_written(tmp_path: Path) -> None:
    with mounted(tmp_path / "disk", "-o", "size=20m") as disk:
        archive = open_archive(disk / "archive", create=True)
        frame = stream(2000)
        archive.add_session(record("s1", frame), {"main": frame})
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        again = open_archive(disk / "archive")
        assert again.session("s1").rows == 2000
        assert again.samples("s1").collect().equals(frame)
        assert again.window("s1", ["J1.current_a"])["J1.current_a"][1].size == 2000
        assert verify(again) == []
        for write in (
            lambda: again.add_session(record("s2", frame), {"main": frame}),
            lambda: again.append("pins", pl.DataFrame({"session": ["s"]})),
            lambda: again.write_document("baselines/v1.json", b"{}"),
            lambda: open_archive(disk / "other", create=True),
        ):
            with pytest.raises(ArchiveError, match="read-only"):
                write()
