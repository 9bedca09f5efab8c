"""What is damaged is found, what can be mended is mended, and nothing is thrown away."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from replay.archive import Archive, migrate, open_archive, repair, verify
from replay.archive.disk.seal import sealed
from replay.cli.main import main
from replay.digests import file_digest
from replay.errors import ArchiveError
from tests.archive.streams import record, stream

ROWS = 150_000
"""Enough for overviews."""


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("care")
    log = root / "s1.csv"
    log.write_text("t,a1\n" + "0,1\n" * 100)
    archive = open_archive(root / "archive", create=True)
    frame = stream(ROWS)
    archive.add_session(record("s1", frame, raw_sha256=file_digest(log)), {"main": frame}, raw=log)
    short = stream(500)
    archive.add_session(record("s2", short), {"main": short})
    for session in ("s1", "s2"):
        flags = pl.DataFrame({"session": [session], "flag": [f"{session}-f"]})
        archive.replace("flags", flags, session=[session])
        archive.append("pins", pl.DataFrame({"session": [session], "pin": [f"{session}-p"]}))
    archive.write_document("baselines/v1.json", b'{"a": 1}')
    assert verify(archive) == []
    return root / "archive"


@pytest.fixture
def archive(sound: Path, tmp_path: Path) -> Archive:
    shutil.copytree(sound, tmp_path / "archive")
    return open_archive(tmp_path / "archive")


def flip(path: Path, at: float = 0.5) -> None:
    """Turn over one bit of a file."""
    content = bytearray(path.read_bytes())
    content[int(len(content) * at)] ^= 0x10
    path.write_bytes(content)


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-100])


def empty(path: Path) -> None:
    path.write_bytes(b"")


def only(archive: Archive, pattern: str) -> Path:
    (path,) = archive.root.glob(pattern)
    return path


@pytest.mark.parametrize("harm", [flip, cut, empty, Path.unlink])
@pytest.mark.parametrize(
    ("pattern", "kind", "remedy"),
    [
        ("samples/s1/main.parquet", "samples", "rebuild"),
        ("samples/s2/main.parquet", "samples", "none"),
        ("samples/s1/overviews/main.64.parquet", "overview", "repair"),
        ("raw/*/s1.csv", "raw", "ingest the log again"),
    ],
)
def test_one_damaged_file_is_found_and_named(
    archive: Archive, harm: Callable[[Path], None], pattern: str, kind: str, remedy: str
) -> None:
    path = only(archive, pattern)
    harm(path)
    (finding,) = verify(archive)
    assert (finding.kind, finding.remedy) == (kind, remedy)
    assert finding.weight == "damage"
    assert finding.where == str(path.relative_to(archive.root))


@pytest.mark.parametrize("at", [0.0, 0.1, 0.37, 0.5, 0.73, 0.9, 0.99999])
def test_a_bit_is_found_wherever_it_turns(archive: Archive, at: float) -> None:
    flip(archive.root / "samples/s1/main.parquet", at)
    assert [f.kind for f in verify(archive)] == ["samples"]


def test_a_bit_in_a_document_is_found(archive: Archive) -> None:
    flip(archive.root / "documents/baselines/v1.json")
    assert [f.kind for f in verify(archive)] == ["document"]


@pytest.mark.parametrize("session", ["s1", "s2"])
def test_a_bit_in_a_record_is_found_and_mended_from_the_catalogue(
    archive: Archive, session: str
) -> None:
    before = archive.session(session)
    path = archive.root / f"samples/{session}/session.json"
    content = bytearray(path.read_bytes())
    content[content.index(b'"source": "') + 12] ^= 0x01
    path.write_bytes(content)
    again = open_archive(archive.root)
    assert again.session(session) == before
    (finding,) = verify(again)
    assert (finding.kind, finding.weight, finding.remedy) == ("record", "damage", "repair")
    repair(again)
    assert verify(again) == []
    assert open_archive(archive.root).session(session) == before


@pytest.mark.parametrize("table", ["sessions", "flags", "pins"])
@pytest.mark.parametrize("commit", [0, 1])
def test_a_bit_in_a_commit_is_found_and_the_rows_kept(
    archive: Archive, table: str, commit: int
) -> None:
    before = archive.table(table)
    path = archive.root / f"tables/{table}/_delta_log/{commit:020d}.json"
    content = bytearray(path.read_bytes())
    content[content.index(b"numRecords") + 3] ^= 0x01
    path.write_bytes(content)
    again = open_archive(archive.root)
    (finding,) = verify(again)
    assert (finding.kind, finding.weight, finding.remedy) == ("table-log", "damage", "repair")
    assert finding.where == str(path.relative_to(archive.root))
    repair(again)
    assert verify(again) == []
    got = open_archive(archive.root).table(table)
    assert_frame_equal(got, before, check_row_order=False)
    again.append("pins", pl.DataFrame({"session": ["s1"], "pin": ["later"]}))
    assert verify(again) == []


@pytest.mark.parametrize("harm", [flip, cut, Path.unlink])
def test_a_damaged_table_file_is_found_and_the_rest_kept(
    archive: Archive, harm: Callable[[Path], None]
) -> None:
    table = archive.root / "tables/flags"
    harm(sorted(table.glob("*.parquet"))[0])
    assert [f.kind for f in verify(archive)] == ["table-file"]
    (told,) = repair(archive)
    assert (told.done, told.drops) == (False, True)
    assert "check those sessions again" in told.what
    assert [f.kind for f in verify(archive)] == ["table-file"]
    with pytest.raises(ArchiveError, match="flags"):
        archive.table("flags")
    (mended,) = repair(archive, drop=True)
    assert mended.done
    assert "check those sessions again" in mended.what
    assert archive.table("flags").height == 1
    assert verify(archive) == []
    assert list((archive.root / "set-aside").glob("*/tables/flags"))


def test_the_catalogue_is_written_again_from_the_folders(archive: Archive) -> None:
    before = archive.sessions()
    shutil.rmtree(archive.root / "tables/sessions/_delta_log")
    again = open_archive(archive.root)
    assert {f.kind for f in verify(again)} == {"table-log"}
    repair(again)
    assert_frame_equal(again.sessions(), before)
    assert verify(again) == []


@pytest.mark.parametrize("left", ["", '{"commitInfo":{"timest'])
@pytest.mark.parametrize("table", ["flags", "sessions", "pins"])
def test_a_commit_cut_by_a_power_cut_is_set_aside(archive: Archive, left: str, table: str) -> None:
    before = archive.table(table)
    (archive.root / f"tables/{table}/_delta_log" / f"{2:020d}.json").write_text(left)
    again = open_archive(archive.root)
    assert "table-log" in {f.kind for f in verify(again)}
    repair(again)
    assert_frame_equal(again.table(table), before, check_row_order=False)
    assert verify(again) == []
    again.replace("flags", pl.DataFrame({"session": ["s1"], "flag": ["new"]}), session=["s1"])
    assert sorted(again.table("flags")["flag"]) == ["new", "s2-f"]


def test_rows_that_people_wrote_survive_the_loss_of_the_log(archive: Archive) -> None:
    shutil.rmtree(archive.root / "tables/pins/_delta_log")
    (archive.root / "tables/pins/_delta_log").mkdir()
    (archive.root / "tables/pins/_delta_log" / f"{0:020d}.json").write_text("{torn")
    again = open_archive(archive.root)
    assert "table-log" in {f.kind for f in verify(again)}
    repair(again)
    assert sorted(again.table("pins")["pin"]) == ["s1-p", "s2-p"]
    assert verify(again) == []


@pytest.mark.parametrize("harm", [flip, Path.unlink])
def test_an_overview_is_made_again(archive: Archive, harm: Callable[[Path], None]) -> None:
    before = archive.overview("s1", "main", ["J1.current_a"])
    harm(archive.root / "samples/s1/overviews/main.1024.parquet")
    (mended,) = repair(archive)
    assert mended.done
    assert_frame_equal(archive.overview("s1", "main", ["J1.current_a"]), before)
    assert verify(archive) == []


def test_a_lost_record_is_written_again(archive: Archive) -> None:
    before = archive.session("s2")
    (archive.root / "samples/s2/session.json").unlink()
    again = open_archive(archive.root)
    assert [f.kind for f in verify(again)] == ["record"]
    repair(again)
    assert again.session("s2") == before
    assert verify(again) == []


def test_a_check_that_found_nothing_leaves_nothing_over(tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "a", create=True)
    frame = stream(500)
    archive.add_session(record("s1", frame), {"main": frame})
    archive.replace("flags", archive.table("flags"), session=["s1"])  # a check without a flag
    assert verify(archive) == []
    assert not (archive.root / "tables/flags").exists()
    (archive.root / "tables/flags/_delta_log").mkdir(parents=True)  # as it was left before
    assert verify(archive) == []
    (archive.root / "tables/flags/part.parquet").write_bytes(b"PAR1")  # a writer was stopped
    assert [f.kind for f in verify(archive)] == ["table-empty"]


def test_half_done_work_is_cleared_and_whole_work_adopted(archive: Archive) -> None:
    root = archive.root
    (root / "staging/tmpdead").mkdir()
    (root / "staging/tmpdead/half.parquet").write_bytes(b"PAR1")
    shutil.copytree(root / "samples/s2", root / "samples/s3")
    document = json.loads((root / "samples/s3/session.json").read_text())
    document["record"]["session"] = "s3"
    del document["seal"]
    (root / "samples/s3/session.json").write_bytes(sealed(document))
    (root / "samples/s4").mkdir()
    (root / "samples/s4/main.parquet").write_bytes(b"PAR1")
    found = verify(archive)
    assert {f.weight for f in found} == {"leftover"}
    repair(archive)
    assert sorted(archive.sessions()["session"]) == ["s1", "s2", "s3"]
    assert not (root / "staging/tmpdead").exists()
    assert not (root / "samples/s4").exists()
    assert list((root / "set-aside").glob("*/samples/s4/main.parquet"))
    assert verify(archive) == []


def test_work_of_a_running_process_is_left_alone(archive: Archive) -> None:
    with archive.staging() as folder:
        (folder / "half.parquet").write_bytes(b"PAR1")
        assert verify(archive) == []
        repair(open_archive(archive.root))
        assert (folder / "half.parquet").exists()


def old_archive(root: Path, sound: Path) -> None:
    """An archive of version 0: samples, logs and tables, nothing beside them."""
    shutil.copytree(sound, root)
    for name in ("digests", "copies"):
        shutil.rmtree(root / name)
    for path in root.glob("tables/*/_manifest.json"):
        path.unlink()
    for path in [*root.glob("samples/*/session.json"), *root.glob("raw/*/raw.json")]:
        path.unlink()
    shutil.rmtree(root / "samples/s1/overviews")
    (root / "jointbook.json").write_text('{"schema_version": 0}')


def test_an_old_archive_is_migrated(sound: Path, tmp_path: Path) -> None:
    old_archive(tmp_path / "archive", sound)
    with pytest.raises(ArchiveError, match="migrate"):
        open_archive(tmp_path / "archive")
    assert migrate(tmp_path / "archive") == [1, 2, 3]
    archive = open_archive(tmp_path / "archive")
    assert archive.session("s1") == open_archive(sound).session("s1")
    assert verify(archive) == []
    assert (archive.root / "samples/s1/overviews/main.64.parquet").exists()
    flip(archive.root / "samples/s2/main.parquet")
    assert [f.kind for f in verify(archive)] == ["samples"]
    assert migrate(tmp_path / "archive") == []


def test_a_newer_archive_is_refused(sound: Path, tmp_path: Path) -> None:
    shutil.copytree(sound, tmp_path / "archive")
    (tmp_path / "archive/jointbook.json").write_text('{"schema_version": 99}')
    for opens in (open_archive, migrate):
        with pytest.raises(ArchiveError, match="newer"):
            opens(tmp_path / "archive")


def test_a_damaged_marker_is_written_again(
    sound: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    root = tmp_path / "archive"
    shutil.copytree(sound, root)
    (root / "jointbook.json").write_text("{}")
    assert open_archive(root).sessions().height == 2
    assert [f.kind for f in verify(open_archive(root))] == ["marker"]
    (root / "copies/jointbook.json").unlink()
    with pytest.raises(ArchiveError, match=r"marker.*repair"):
        open_archive(root)
    assert main(["archive", "repair", "--archive", str(root)]) == 0
    assert "written again" in capsys.readouterr().out
    assert verify(open_archive(root)) == []
    shutil.rmtree(root / "tables/pins")
    assert [f.kind for f in verify(open_archive(root))] == ["table-missing"]


LOG = "t,a1,i1\n" + "".join(f"{n / 10:.1f},{n * 0.01:.2f},{n % 7 * 0.1:.1f}\n" for n in range(400))
MAP = """
[log]
joints = 1
[time]
column = "t"
format = "seconds"
start = "2031-03-01T00:00:00Z"
[joint.angle]
column = "a{n}"
unit = "deg"
[joint.current]
column = "i{n}"
unit = "A"
"""


@pytest.fixture
def ingested(tmp_path: Path) -> Path:
    (tmp_path / "log.csv").write_text(LOG)
    (tmp_path / "log.map.toml").write_text(MAP)
    root = tmp_path / "archive"
    words = ["ingest", str(tmp_path / "log.csv"), "--map", str(tmp_path / "log.map.toml")]
    assert main([*words, "--archive", str(root)]) == 0
    return root


def rebuilt(root: Path, capsys: pytest.CaptureFixture[str], *more: str) -> tuple[int, list[str]]:
    capsys.readouterr()
    code = main(["archive", "rebuild", *more, "--archive", str(root), "--json"])
    return code, [r["outcome"] for r in json.loads(capsys.readouterr().out)["rebuilt"]]


def test_rebuild_gives_the_same_bytes(ingested: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert rebuilt(ingested, capsys) == (0, ["same"])


@pytest.mark.parametrize("harm", [flip, cut, Path.unlink])
def test_rebuild_brings_damaged_samples_back(
    ingested: Path, capsys: pytest.CaptureFixture[str], harm: Callable[[Path], None]
) -> None:
    (path,) = ingested.glob("samples/*/main.parquet")
    before = path.read_bytes()
    harm(path)
    assert main(["archive", "verify", "--archive", str(ingested)]) == 1
    assert rebuilt(ingested, capsys, "--damaged") == (0, ["restored"])
    assert path.read_bytes() == before
    assert main(["archive", "verify", "--archive", str(ingested)]) == 0
    assert rebuilt(ingested, capsys, "--damaged") == (0, [])


def test_rebuild_does_not_trust_a_damaged_log(
    ingested: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    flip(next(ingested.glob("raw/*/log.csv")))
    capsys.readouterr()
    assert main(["archive", "rebuild", "--archive", str(ingested)]) == 1
    assert "its bytes changed since it was written" in capsys.readouterr().out


@pytest.mark.parametrize("harm", [flip, cut, Path.unlink, lambda p: shutil.rmtree(p.parent)])
def test_the_same_log_given_again_mends_the_stored_one(
    ingested: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], harm: Callable[[Path], None]
) -> None:
    words = ["ingest", str(tmp_path / "log.csv"), "--map", str(tmp_path / "log.map.toml")]
    harm(next(ingested.glob("raw/*/log.csv")))
    (finding,) = verify(open_archive(ingested))
    assert (finding.weight, finding.remedy) == ("damage", "ingest the log again")
    capsys.readouterr()
    assert main([*words, "--archive", str(ingested)]) == 0
    assert "its stored log was damaged and is whole again" in capsys.readouterr().out
    assert verify(open_archive(ingested)) == []
    assert main([*words, "--archive", str(ingested), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert (len(said["unchanged"]), said["mended"]) == (1, [])


@pytest.mark.parametrize("digit", ["sha256", "bytes"])
def test_a_digit_in_the_list_of_a_log_condemns_no_file(ingested: Path, digit: str) -> None:
    (path,) = ingested.glob("raw/*/raw.json")
    content = path.read_text()
    at = content.index(f'"{digit}": ') + len(digit) + 4
    at = next(n for n in range(at, len(content)) if content[n].isdigit())
    path.write_text(content[:at] + str((int(content[at]) + 1) % 10) + content[at + 1 :])
    assert [f.remedy for f in verify(open_archive(ingested))] == ["repair"]
    repair(open_archive(ingested))
    assert path.read_text() == content
    assert verify(open_archive(ingested)) == []


def test_rebuild_says_when_the_program_now_makes_other_bytes(
    ingested: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As if an earlier version of the program had stored other samples."""
    archive = open_archive(ingested)
    (name,) = archive.sessions()["session"]
    made = archive.samples(name).collect()
    earlier = made.with_columns(pl.col("J1.current_a") + 1)
    archive.add_session(archive.session(name), {"main": earlier}, replace=True)
    assert verify(archive) == []
    assert rebuilt(ingested, capsys) == (1, ["differs"])
    assert_frame_equal(archive.samples(name).collect(), earlier)
    assert rebuilt(ingested, capsys, "--put-in") == (0, ["changed"])
    assert_frame_equal(archive.samples(name).collect(), made)
    assert rebuilt(ingested, capsys) == (0, ["same"])
    assert verify(archive) == []


def test_verify_says_it_as_json(ingested: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert main(["archive", "verify", "--json", "--archive", str(ingested)]) == 0
    said = json.loads(capsys.readouterr().out)
    assert (said["sessions"], said["sound"], said["findings"]) == (1, True, [])
    flip(next(ingested.glob("samples/*/main.parquet")))
    assert main(["archive", "verify", "--json", "--archive", str(ingested)]) == 1
    said = json.loads(capsys.readouterr().out)
    assert said["findings"][0]["remedy"] == "rebuild"


def test_compact_and_repair_as_commands(ingested: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert main(["archive", "compact", "--json", "--archive", str(ingested)]) == 0
    assert "sessions" in json.loads(capsys.readouterr().out)["tables"]
    assert main(["archive", "repair", "--json", "--archive", str(ingested)]) == 0
    assert json.loads(capsys.readouterr().out)["left"] == []
    assert main(["archive", "migrate", "--json", "--archive", str(ingested)]) == 0
    assert json.loads(capsys.readouterr().out)["versions"] == []
    assert main(["archive", "verify", "s1", "--archive", str(ingested)]) == 2
