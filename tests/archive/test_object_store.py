"""An archive on an object store: the same calls, by URL.

A ``file://`` URL goes through the object-store code on this machine's disk.
For S3 an emulator is started: `moto_server` from the test requirements.
"""

from __future__ import annotations

import shutil
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from replay.archive import open_archive, repair, verify
from replay.archive.durable import digest
from replay.errors import ArchiveError
from tests.archive.streams import START, record, stream

Store = tuple[str, dict[str, str] | None]


@pytest.fixture(scope="module")
def emulator() -> Iterator[dict[str, str]]:
    # The one beside this interpreter: another's may be too old for this Arrow.
    program = shutil.which("moto_server", path=str(Path(sys.executable).parent))
    if program is None:
        pytest.skip("no S3 emulator here: install moto[server]")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    server = subprocess.Popen(
        [program, "-H", "127.0.0.1", "-p", str(port)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    endpoint = f"http://127.0.0.1:{port}"
    try:
        for _ in range(150):
            try:
                request = urllib.request.Request(f"{endpoint}/yard", method="PUT")
                urllib.request.urlopen(request, timeout=5)
                break
            except OSError:
                time.sleep(0.2)
        else:
            pytest.fail("the S3 emulator did not start")
        yield {
            "aws_access_key_id": "test",
            "aws_secret_access_key": "test",
            "aws_region": "us-east-1",
            "aws_endpoint_url": endpoint,
            "aws_allow_http": "true",
        }
    finally:
        server.terminate()
        server.wait(10)


@pytest.fixture(params=["file", "s3"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Store:
    if request.param == "file":
        (tmp_path / "store").mkdir()
        return f"file://{tmp_path}/store", None
    options: dict[str, str] = request.getfixturevalue("emulator")
    return f"s3://yard/{tmp_path.name}", options


def test_a_session_goes_to_a_store_and_comes_back(store: Store, tmp_path: Path) -> None:
    url, options = store
    with pytest.raises(ArchiveError, match="no archive here"):
        open_archive(url, storage_options=options)
    archive = open_archive(url, create=True, storage_options=options)
    frame = stream(150_000)
    log = tmp_path / "log.csv"
    log.write_text("t,a1\n0,1\n")
    given = record("s1", frame, raw_sha256=digest(log))
    assert archive.add_session(given, {"main": frame.lazy()}, raw=log)
    assert not archive.add_session(given, {"main": frame.lazy()}, raw=log)
    archive.append("pins", pl.DataFrame({"session": ["s1"], "text": ["look here"]}))
    archive.write_document("baselines/v1.json", b"{}")

    again = open_archive(url, storage_options=options)
    assert again.sessions()["session"].to_list() == ["s1"]
    assert again.session("s1") == given
    start = START + timedelta(seconds=700)
    found = again.samples("s1", start=start, end=start + timedelta(seconds=60)).collect()
    assert_frame_equal(found, frame[70_000:76_000])
    across = again.across(["J1.current_a"]).collect()
    assert across["session"].unique().to_list() == ["s1"]
    assert_frame_equal(across.drop("session"), frame.select("time", "J1.current_a"))
    assert again.window("s1", ["J1.current_a"])["J1.current_a"][1].size == 2000
    assert again.spans("s1", "phase")["value"].to_list() == ["approach", "stow"]
    assert again.table("pins")["text"].to_list() == ["look here"]
    assert again.read_document("baselines/v1.json") == b"{}"
    assert again.documents("baselines") == ["baselines/v1.json"]
    assert verify(again) == []
    with pytest.raises(ArchiveError, match="copy the archive"):
        repair(again)


def test_two_writers_of_one_store(store: Store) -> None:
    url, options = store
    one = open_archive(url, create=True, storage_options=options)
    two = open_archive(url, storage_options=options)
    for n in range(6):
        writer = (one, two)[n % 2]
        rows = pl.DataFrame({"session": [f"s{n}"], "flag": [f"f{n}"]})
        writer.replace("flags", rows, session=[f"s{n}"])
        writer.replace("flags", rows.with_columns(flag=pl.lit("again")), session=[f"s{n}"])
    for reader in (one, two):
        assert sorted(reader.table("flags")["session"]) == [f"s{n}" for n in range(6)]
        assert set(reader.table("flags")["flag"]) == {"again"}


def test_writers_at_the_same_time_on_one_store(store: Store) -> None:
    url, options = store
    open_archive(url, create=True, storage_options=options)
    failures: list[BaseException] = []

    def write(writer: int) -> None:
        try:
            archive = open_archive(url, storage_options=options)
            for n in range(5):
                name = f"{writer}-{n}"
                rows = pl.DataFrame({"session": [name], "flag": ["f"]})
                archive.replace("flags", rows, session=[name])
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=write, args=(n,)) for n in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    found = open_archive(url, storage_options=options).table("flags")
    assert found.height == found["session"].n_unique() == 15


def test_damage_on_a_store_is_found(store: Store) -> None:
    url, options = store
    archive = open_archive(url, create=True, storage_options=options)
    frame = stream(500)
    archive.add_session(record("s1", frame), {"main": frame})
    place = archive.stream_place("s1", "main")
    content = bytearray(place.read())
    content[len(content) // 2] ^= 1
    place.write(bytes(content))
    assert [f.kind for f in verify(archive)] == ["samples"]
    place.remove()
    assert [f.detail for f in verify(archive)] == ["missing"]
