"""Tables: nothing changes its type unsaid, and writers do not lose each other's rows."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from replay.archive import Archive, catalogue, open_archive, verify
from replay.errors import ArchiveError
from tests.reviews.makers import add_session


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return open_archive(tmp_path / "archive", create=True)


def rows(session: str, *values: float) -> pl.DataFrame:
    return pl.DataFrame({"session": [session] * len(values), "value": list(values)})


def test_replace_puts_rows_in_place_of_a_sessions_rows(archive: Archive) -> None:
    archive.replace("t", rows("s1", 1, 2), session=["s1"])
    archive.replace("t", rows("s2", 3), session=["s2"])
    archive.replace("t", rows("s1", 9), session=["s1"])
    assert sorted(archive.table("t").rows()) == [("s1", 9.0), ("s2", 3.0)]
    archive.replace("t", rows("s1").cast({"value": pl.Float64}), session=["s1"])
    assert archive.table("t").rows() == [("s2", 3.0)]


def test_a_session_with_a_quote_in_its_name(archive: Archive) -> None:
    archive.replace("t", rows("it's", 1), session=["it's"])
    archive.replace("t", rows("it's", 2), session=["it's"])
    assert archive.table("t").rows() == [("it's", 2.0)]


def test_a_table_that_is_not_there_is_empty_with_its_columns(archive: Archive) -> None:
    assert archive.table("flags").height == 0
    assert "severity" in archive.table("flags").columns
    assert archive.table("nothing").height == 0
    assert archive.scan_table("flags") is None


def test_unsigned_numbers_come_back_as_they_were(archive: Archive) -> None:
    frame = pl.DataFrame(
        {"session": ["s"], "a": [200], "b": [60_000], "c": [2**32 - 1]},
        schema={"session": pl.String, "a": pl.UInt8, "b": pl.UInt16, "c": pl.UInt32},
    )
    archive.replace("t", frame, session=["s"])
    assert archive.table("t").row(0) == ("s", 200, 60_000, 2**32 - 1)


def test_a_number_over_the_signed_range_is_refused(archive: Archive) -> None:
    frame = pl.DataFrame({"session": ["s"], "a": [2**63]}, schema_overrides={"a": pl.UInt64})
    with pytest.raises(ArchiveError, match="'a'"):
        archive.replace("t", frame, session=["s"])


def test_nanoseconds_are_not_cut_silently(archive: Archive) -> None:
    fine = pl.Series("at", [1_000_000_001]).cast(pl.Datetime("ns", "UTC"))
    with pytest.raises(ArchiveError, match="microseconds"):
        archive.replace("t", pl.DataFrame({"session": ["s"], "at": fine}), session=["s"])
    whole = pl.Series("at", [1_000_001_000]).cast(pl.Datetime("ns", "UTC"))
    archive.replace("t", pl.DataFrame({"session": ["s"], "at": whole}), session=["s"])
    assert archive.table("t")["at"][0] == datetime(1970, 1, 1, 0, 0, 1, 1, tzinfo=UTC)


def test_categories_become_words(archive: Archive) -> None:
    frame = pl.DataFrame({"session": ["s"], "kind": ["gap"]}).cast({"kind": pl.Categorical})
    archive.replace("t", frame, session=["s"])
    assert archive.table("t")["kind"].to_list() == ["gap"]


def test_fractions_do_not_fit_whole_numbers(archive: Archive) -> None:
    archive.replace("t", pl.DataFrame({"session": ["s"], "n": [1]}), session=["s"])
    with pytest.raises(ArchiveError, match="whole numbers"):
        archive.replace("t", pl.DataFrame({"session": ["u"], "n": [1.5]}), session=["u"])


def test_a_column_of_nothing_takes_its_declared_type(archive: Archive) -> None:
    frame = pl.DataFrame({"session": ["s"], "flag": ["f"], "score": [None], "baseline": [None]})
    archive.replace("flags", frame, session=["s"])
    found = archive.table("flags")
    assert found.schema["score"] == pl.Float64
    more = pl.DataFrame({"session": ["u"], "flag": ["g"], "score": [2.5], "baseline": ["b1"]})
    archive.replace("flags", more, session=["u"])
    assert sorted(archive.table("flags")["score"].drop_nulls()) == [2.5]


def test_a_new_column_joins_a_table(archive: Archive) -> None:
    archive.append("t", rows("s1", 1))
    archive.append("t", rows("s2", 2).with_columns(note=pl.lit("new")))
    assert sorted(archive.table("t").select("session", "note").rows()) == [
        ("s1", None),
        ("s2", "new"),
    ]


def test_a_reader_sees_another_writers_commit(archive: Archive) -> None:
    other = open_archive(archive.root)
    archive.append("t", rows("s1", 1))
    assert other.table("t").height == 1
    archive.append("t", rows("s2", 1))
    assert other.table("t").height == 2
    assert archive.table("t").height == 2


def test_what_a_caller_does_to_a_frame_stays_with_it(archive: Archive) -> None:
    archive.append("t", rows("s1", 1))
    archive.table("t").insert_column(0, pl.Series("x", [1]))
    assert archive.table("t").columns == ["session", "value"]


WRITER = """
import sys
import polars as pl
from replay.archive import open_archive
archive = open_archive(sys.argv[1])
for n in range(12):
    name = f"{sys.argv[2]}-{n}"
    archive.replace("flags", pl.DataFrame({"session": [name], "flag": [name]}), session=[name])
    if n % 3 == 0:
        archive.replace("flags", pl.DataFrame({"session": [name], "flag": ["b"]}), session=[name])
"""


def test_writers_in_several_processes_lose_nothing(archive: Archive) -> None:
    writers = [
        subprocess.Popen([sys.executable, "-c", WRITER, str(archive.root), f"w{n}"])
        for n in range(3)
    ]
    seen = [0]
    while any(w.poll() is None for w in writers):
        seen.append(archive.table("flags").height)
        time.sleep(0.02)  # the processor is the writers'
    assert [w.wait() for w in writers] == [0, 0, 0]
    found = archive.table("flags")
    assert found.height == found["session"].n_unique() == 36
    assert found.filter(pl.col("flag") == "b").height == 12
    assert seen == sorted(seen)
    assert verify(archive) == []


def test_writers_in_threads_lose_nothing(archive: Archive) -> None:
    threads = [
        threading.Thread(
            target=lambda n=n: [archive.append("t", rows(f"{n}-{k}", k)) for k in range(8)]
        )
        for n in range(4)
    ]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert archive.table("t").height == 32


def test_writers_without_a_lock_meet_in_the_commit(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on an object store: only Delta's own commit keeps them apart."""
    monkeypatch.setattr("replay.archive.disk.durable.fcntl", None)
    names = [f"{n}-{k}" for n in range(3) for k in range(5)]
    archive.append("t", pl.concat([rows(name, -1) for name in names]))
    failures: list[BaseException] = []

    def write(writer: int) -> None:
        try:
            own = open_archive(archive.root)
            for k in range(5):  # all rows lie in one file, so these truly collide
                own.replace("t", rows(f"{writer}-{k}", k), session=[f"{writer}-{k}"])
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=write, args=(n,)) for n in range(3)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert failures == []
    assert sorted(archive.table("t").rows()) == [(name, float(name[-1])) for name in names]


def test_a_writer_that_is_overtaken_while_it_looks_for_its_rows_begins_anew(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without a lock another may commit between the manifest and the look at the rows."""
    monkeypatch.setattr("replay.archive.disk.durable.fcntl", None)
    archive.append("t", pl.concat([rows("mine", -1), rows("other", -1)]))
    slow = open_archive(archive.root)
    looked = slow.tables._files_with
    overtaken: list[int] = []

    def late(*given: object) -> list[str]:
        if not overtaken:
            overtaken.append(1)
            archive.replace("t", rows("other", 7), session=["other"])
        return looked(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(slow.tables, "_files_with", late)
    slow.replace("t", rows("mine", 3), session=["mine"])
    assert overtaken
    assert sorted(archive.table("t").rows()) == [("mine", 3.0), ("other", 7.0)]


def test_many_commits_are_merged_on_the_way(archive: Archive) -> None:
    for n in range(70):
        archive.append("t", rows(f"s{n}", n))
    active = pl.scan_delta(str(archive.root / "tables/t"))
    assert active.collect().height == 70
    checkpoints = list((archive.root / "tables/t/_delta_log").glob("*.checkpoint.parquet"))
    assert checkpoints
    before = len(list((archive.root / "tables/t").glob("*.parquet")))
    done = archive.tables.tidy("t", keep_hours=0, drop=True)
    assert done["deleted"] > 0
    assert len(list((archive.root / "tables/t").glob("*.parquet"))) < before
    assert archive.table("t").height == 70
    assert open_archive(archive.root).table("t").height == 70
    assert verify(archive) == []


def test_a_document_is_written_whole(archive: Archive) -> None:
    archive.write_document("baselines/v1.json", b"{}")
    archive.write_document("baselines/v1.json", b'{"a": 1}')
    assert archive.read_document("baselines/v1.json") == b'{"a": 1}'
    assert archive.documents("baselines") == ["baselines/v1.json"]
    with pytest.raises(ArchiveError, match="no such document"):
        archive.read_document("baselines/v9.json")


def test_the_catalogue_is_put_in_order_once_a_version(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Pages ask for it again and again: ten million rows take 11 s of processor time."""
    archive = open_archive(tmp_path / "a", create=True)
    add_session(archive, "s2", day=2)
    add_session(archive, "s1", day=1)
    made: list[int] = []
    true = catalogue.oldest_first

    def counted(rows: pl.DataFrame) -> pl.DataFrame:
        made.append(rows.height)
        return true(rows)

    monkeypatch.setattr(catalogue, "oldest_first", counted)
    for _ in range(3):
        assert archive.sessions()["session"].to_list() == ["s1", "s2"]
    assert made == [2]
    add_session(archive, "s0", day=0)
    assert archive.sessions()["session"].to_list() == ["s0", "s1", "s2"]
    archive.tables.forget("sessions")  # its files were changed from outside
    assert archive.sessions().height == 3
    assert made == [2, 3, 3]
