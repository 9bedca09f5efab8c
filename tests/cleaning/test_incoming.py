"""What is taken from a folder, and what waits: half copies, and files that are no logs."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import pytest

from replay.archive import open_archive, repair, verify
from replay.cleaning import IngestResult, ingest
from replay.cleaning.folder_watcher import _being_written, watch_folder
from replay.errors import ArchiveError
from tests.cleaning.logs import MAP, table, text


def _watched(
    folder: Path, first: bytes, then: dict[float, bytes], until: float, name: str = "log.csv"
) -> list[tuple[float, IngestResult]]:
    """Watch a folder into which one file is written piece by piece, on a clock of our own."""
    incoming = folder / "in"
    incoming.mkdir()
    (incoming / name).write_bytes(first)
    now = [0.0]

    def sleep(seconds: float) -> None:
        now[0] += seconds
        if now[0] in then:
            (incoming / name).write_bytes(then[now[0]])

    found = watch_folder(
        open_archive(folder / "archive", create=True),
        incoming,
        settle_s=5.0,
        poll_s=1.0,
        stop=lambda: now[0] > until,
        clock=lambda: now[0],
        sleep=sleep,
        log_map=MAP,
    )
    return [(now[0], result) for result in found]


@pytest.mark.parametrize("code", ["utf-8", "utf-16"])
def test_a_copy_that_pauses_within_a_line_is_waited_for(tmp_path: Path, code: str) -> None:
    whole = text(table(300)).encode(code)
    taken = _watched(tmp_path, whole[: len(whole) // 2 + 1], {20.0: whole}, 60.0)
    ((_, result),) = taken
    assert result.sessions[0].rows == 300


def test_a_log_that_never_ends_its_last_line_is_taken_in_the_end(tmp_path: Path) -> None:
    ((at, result),) = _watched(tmp_path, text(table(300)).rstrip().encode(), {}, 120.0)
    assert len(result.sessions) == 1
    assert at >= 60.0


def test_a_packed_copy_that_pauses_is_refused_and_taken_when_whole(tmp_path: Path) -> None:
    whole = gzip.compress(text(table(300)).encode())
    taken = _watched(tmp_path, whole[: len(whole) // 2], {20.0: whole}, 60.0, "log.csv.gz")
    (_, first), (_, second) = taken
    assert "cut" in first.refused[0].reason
    assert second.sessions[0].rows == 300


def test_a_log_that_grows_after_it_was_taken_completes_its_session(tmp_path: Path) -> None:
    lines = text(table(300)).splitlines(keepends=True)
    half, whole = "".join(lines[:150]).encode(), "".join(lines).encode()
    (_, first), (_, second) = _watched(tmp_path, half, {20.0: whole}, 60.0)
    assert first.sessions[0].rows == 149
    assert second.refused == []
    assert second.sessions[0].rows == 300
    archive = open_archive(tmp_path / "archive")
    assert archive.sessions()["session"].to_list() == [second.sessions[0].session]
    old, new = first.sessions[0].session, second.sessions[0].session
    assert archive.earlier() == {new: (old,)}
    with pytest.raises(ArchiveError, match=f"it is now {new}"):
        archive.session(old)
    assert "completed" in [n.kind for n in second.sessions[0].quality]
    assert list((tmp_path / "archive/set-aside").glob(f"*/samples/{first.sessions[0].session}"))
    assert [f for f in verify(archive) if f.weight == "damage"] == []
    repair(archive)
    again = open_archive(tmp_path / "archive")
    assert again.sessions()["session"].to_list() == [second.sessions[0].session]


def test_a_log_is_waited_for_by_its_own_rhythm(tmp_path: Path) -> None:
    lines = text(table(300)).splitlines(keepends=True)
    parts = {4.0: "".join(lines[:100]).encode(), 10.0: "".join(lines[:150]).encode()}
    ((at, result),) = _watched(tmp_path, "".join(lines[:50]).encode(), parts, 120.0)
    assert result.sessions[0].rows == 149
    assert at >= 10.0 + 1.5 * 6.0


def test_a_file_that_is_open_for_writing_is_not_whole(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    with path.open("w") as handle:
        handle.write("t,a1\n")
        assert _being_written(path)
    assert not _being_written(path)
    with path.open() as _:
        assert not _being_written(path)


def test_json_lines_in_a_folder_are_a_log_and_documents_are_not(tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    rows = "".join(json.dumps(r) + "\n" for r in table().to_dicts())
    (folder / "log.json").write_text(rows)
    (folder / "truth.json").write_text(json.dumps({"sessions": []}))
    (folder / "contents.json").write_text(json.dumps({"sessions": []}, indent=1))
    archive = open_archive(tmp_path / "archive", create=True)
    result = ingest(archive, folder, log_map=MAP)
    assert [s.source for s in result.sessions] == ["log.json"]
    assert not result.refused
