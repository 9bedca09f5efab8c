"""An archive on an object store: the same calls, by URL.

A ``file://`` URL goes through the object-store code on this machine's disk.
For S3 a real server is started on this machine's loopback (`s3_server`).
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from replay.archive import Archive, open_archive, repair, verify
from replay.archive.disk.place import StorePlace
from replay.archive.tables.manifest import commit_name
from replay.cleaning import ingest
from replay.cli.main import main
from replay.digests import file_digest
from replay.errors import ArchiveError
from replay.reviews import add_pin, pins
from tests.archive.s3_server import BUCKET, serving
from tests.archive.streams import START, record, stream
from tests.archive.test_parts import row, rows
from tests.crash.streams_of_logs import write_logs

Store = tuple[str, dict[str, str] | None]


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    with serving(tmp_path_factory.mktemp("s3")) as options:
        yield options


@pytest.fixture(params=["file", "s3"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Store:
    if request.param == "file":
        (tmp_path / "store").mkdir()
        return f"file://{tmp_path}/store", None
    options: dict[str, str] = request.getfixturevalue("server")
    return f"s3://{BUCKET}/{tmp_path.name}", options


def test_a_session_goes_to_a_store_and_comes_back(store: Store, tmp_path: Path) -> None:
    url, options = store
    with pytest.raises(ArchiveError, match="no archive here"):
        open_archive(url, storage_options=options)
    archive = open_archive(url, create=True, storage_options=options)
    frame = stream(150_000)
    log = tmp_path / "log.csv"
    log.write_text("t,a1\n0,1\n")
    given = record("s1", frame, raw_sha256=file_digest(log))
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


def test_a_commit_that_is_listed_before_it_can_be_read_is_waited_for(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is appended stands there once, though its commit was late to be read."""
    url, options = store
    archive = open_archive(url, create=True, storage_options=options)
    rows = pl.DataFrame({"session": ["s1"], "pin": ["first"]})
    archive.append("pins", rows)
    read, missed = StorePlace.read, list[str]()

    def once_missing(place: StorePlace) -> bytes:
        if str(place).endswith(commit_name(1)) and not missed:
            missed.append(str(place))
            raise FileNotFoundError(f"Failed to open {place}. Detail: [errno 2] No such file")
        return read(place)

    monkeypatch.setattr(StorePlace, "read", once_missing)
    other = open_archive(url, storage_options=options)
    other.append("pins", rows.with_columns(pin=pl.lit("once")))
    assert missed
    assert sorted(open_archive(url, storage_options=options).table("pins")["pin"]) == [
        "first",
        "once",
    ]


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


def filled(store: Store) -> Archive:
    url, options = store
    archive = open_archive(url, create=True, storage_options=options)
    frame = stream(300)
    archive.add_session(record("s1", frame), {"main": frame})
    archive.append("pins", pl.DataFrame({"session": ["s1"], "text": ["look here"]}))
    archive.replace("flags", pl.DataFrame({"session": ["s1"], "flag": ["f"]}), session=["s1"])
    archive.write_document("baselines/v1.json", b'{"a": 1}')
    return archive


def told(store: Store) -> list[object]:
    """Return what a store says to each question; a refusal is None."""
    url, options = store
    opened: list[Archive] = []

    def ask(question: Callable[[Archive], object]) -> object:
        try:
            if not opened:  # anew for each harm, not for each question: requests take their time
                opened.append(open_archive(url, storage_options=options))
            return question(opened[0])
        except ArchiveError:
            return None

    return [
        ask(lambda a: a.sessions().to_dicts()),
        ask(lambda a: a.session("s1")),
        ask(lambda a: a.samples("s1").collect().to_dicts()),
        ask(lambda a: a.table("flags").to_dicts()),
        ask(lambda a: a.table("pins").to_dicts()),
        ask(lambda a: a.read_document("baselines/v1.json")),
    ]


def test_a_changed_byte_of_any_object_is_told_and_never_shown(store: Store) -> None:
    archive = filled(store)
    true = told(store)
    assert None not in true
    names = archive.place.files()
    assert {n.split("/")[0] for n in names} >= {"samples", "tables", "documents", "copies"}
    for name in names:
        place = archive.place.child(*name.split("/"))
        whole = place.read()
        harmed = bytearray(whole)
        harmed[len(harmed) // 2] ^= 4
        place.write(bytes(harmed))
        now = told(store)
        shown = [n for n, t in zip(now, true, strict=True) if n is not None and n != t]
        assert shown == [], name
        url, options = store
        assert verify(open_archive(url, storage_options=options)), f"{name}: not noticed"
        place.write(whole)
    url, options = store
    assert verify(open_archive(url, storage_options=options)) == []


class Stopped(BaseException):
    """As if the process had died there."""


def test_stopped_before_any_write_nothing_is_lost(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(store)
    url, options = store
    frame = stream(300, seed=2)
    true = StorePlace._sink
    seen, at = 0, 0

    def sink(self: StorePlace, key: str) -> object:
        nonlocal seen
        seen += 1
        if seen == at:
            raise Stopped
        return true(self, key)

    monkeypatch.setattr(StorePlace, "_sink", sink)
    done = False
    while not done:
        seen, at = 0, at + 1
        name = f"n{at}"
        archive = open_archive(url, storage_options=options)
        try:
            archive.add_session(record(name, frame), {"main": frame})
            archive.append("pins", pl.DataFrame({"session": [name], "text": ["and here"]}))
            archive.write_document(f"baselines/{name}.json", b"{}")
            done = True
        except Stopped:
            seen = 10**6
        again = open_archive(url, storage_options=options)
        assert [f.where for f in verify(again) if f.weight == "damage"] == [], f"before write {at}"
        assert again.samples("s1").collect().equals(stream(300))
        assert "look here" in again.table("pins")["text"].to_list()
        for listed in again.sessions()["session"]:
            assert again.samples(listed).collect().height == 300
    assert at >= 10


def test_commands_on_a_store_do_all_but_what_a_disk_alone_can(
    server: dict[str, str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    for name, value in server.items():
        monkeypatch.setenv(name.upper(), value)
    monkeypatch.setenv("JOINTBOOK_RECORD", f"sqlite:///{tmp_path}/record.sqlite")
    url = f"s3://{BUCKET}/{tmp_path.name}"
    ((log, log_map), (_, other_map), *_) = write_logs(tmp_path, rows=600)

    def run(*words: str) -> tuple[int, str]:
        capsys.readouterr()
        code = main([*words, "--archive", url])
        out, err = capsys.readouterr()
        return code, out + err

    assert run("ingest", log, "--map", log_map)[0] == 0
    (name,) = open_archive(url).sessions()["session"]
    assert "nothing changed" in run("ingest", log, "--map", log_map)[1]
    assert name in run("sessions")[1]
    assert run("archive", "verify") == (0, "1 session, 0 damages, 0 leftovers\n")
    assert run("archive", "compact", "--drop")[0] == 0
    assert run("archive", "rebuild", name) == (0, f"{name}: same\n")
    add_pin(open_archive(url), name, open_archive(url).session(name).start, text="x", author="eve")
    assert run("record", "verify")[0] == 0
    assert pins(open_archive(url), name)["text"].to_list() == ["x"]

    before = open_archive(url).place.files()
    for words, reason in (
        (("archive", "repair"), "cannot exchange two folders in one step"),
        (("archive", "migrate"), "works on a disk"),
        (("archive", "remove", name, "--why", "a trial"), "on a disk only"),
        (("ingest", log, "--map", other_map, "--replace"), "cannot exchange two sessions"),
    ):
        code, said = run(*words)
        assert (code, reason in said) == (1, True), (words, said)
        assert open_archive(url).sessions()["session"].to_list() == [name], words
    assert open_archive(url).place.files() == before

    raw = next(n for n in before if n.startswith("raw/") and n.endswith(".csv"))
    open_archive(url).place.child(*raw.split("/")).write(b"no more")
    assert run("archive", "verify")[0] == 1
    assert "is whole again" in run("ingest", log, "--map", log_map)[1]
    assert run("archive", "verify")[0] == 0

    monkeypatch.delenv("JOINTBOOK_RECORD")
    code, said = run("archive", "verify")
    assert (code, "the record was not looked at" in said) == (0, True)
    assert "no place for the record's database" in run("queue")[1]


def test_a_store_copied_to_a_disk_goes_on_there(store: Store, tmp_path: Path) -> None:
    archive = filled(store)
    for name in archive.place.files():
        target = tmp_path / "disk" / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(archive.place.child(*name.split("/")).read())
    again = open_archive(tmp_path / "disk")
    assert verify(again) == []
    again.append("pins", pl.DataFrame({"session": ["s1"], "text": ["and here"]}))
    again.replace("flags", pl.DataFrame({"session": ["s1"], "flag": ["g"]}), session=["s1"])
    next((tmp_path / "disk/tables/pins").glob("*.parquet")).unlink()
    repair(again)
    assert open_archive(again.root).table("pins")["text"].to_list() == ["look here", "and here"]
    again.withdraw("s1", reason="a trial")
    assert [f for f in verify(again) if f.weight == "damage"] == []


def test_a_log_that_grew_is_refused_on_a_store(store: Store, tmp_path: Path) -> None:
    url, options = store
    archive = open_archive(url, create=True, storage_options=options)
    ((log, log_map), *_) = write_logs(tmp_path, rows=600)
    whole = Path(log).read_text()
    Path(log).write_text("".join(whole.splitlines(keepends=True)[:400]))
    (first,) = ingest(archive, log, log_map=log_map).sessions
    Path(log).write_text(whole)
    (refused,) = ingest(archive, log, log_map=log_map).refused
    assert f"takes the place of session {first.session}" in refused.reason
    assert "copy the archive to a disk" in refused.reason
    assert archive.sessions()["session"].to_list() == [first.session]


def test_a_question_to_a_store_opens_the_files_it_falls_into(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    url, options = store
    archive = open_archive(url, create=True, storage_options=options)
    for first in range(0, 12, 3):
        archive.append("sessions", rows([*range(first, first + 3)]))
    name = row(4)["session"][0]
    seen: list[str] = []
    true = StorePlace.read

    def read(self: StorePlace) -> bytes:
        if self.url.endswith(".parquet"):
            seen.append(self.url)
        return true(self)

    monkeypatch.setattr(StorePlace, "read", read)
    fresh = open_archive(url, storage_options=options)
    assert fresh.count() == 12
    assert seen == []
    assert fresh.has_session(name)
    assert fresh.newest(2)["session"].to_list() == [row(n)["session"][0] for n in (11, 10)]
    assert len(seen) == 2
    fresh.replace("sessions", row(4, arm="another"), session=[name])
    assert archive.tables.tidy("sessions")["merged"] > 1
    last = open_archive(url, storage_options=options)
    assert last.table("sessions").height == last.count() == 12
    assert last.within(arm="another")["session"].to_list() == [name]
    told = [f.kind for f in verify(last) if f.where.startswith("tables")]
    assert told == []
