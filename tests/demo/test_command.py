"""The demo command, as a newcomer runs it: twice, and with nothing to serve."""

import json
from pathlib import Path

import pytest

from replay.archive import open_archive
from replay.cli.main import main
from replay.demo import SessionPlan, session_record, simulate_session
from replay.demo.writing.making import make


@pytest.fixture(scope="module")
def logs(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "logs"
    make(folder, sessions=4, hours=0.03, seed=2, rate_hz=10.0, fault_rate=0.0)
    return folder


def run(capsys, *words: str) -> tuple[int, dict, str]:
    code = main(["demo", *words, "--json"])
    out, err = capsys.readouterr()
    return code, json.loads(out) if out else {}, err


def test_make_writes_what_was_asked_and_says_so(tmp_path, capsys):
    folder = tmp_path / "more"
    words = ("--sessions", "2", "--hours", "0.02", "--seed", "9", "--hertz", "10")
    code, said, _ = run(capsys, "--make", str(folder), *words)
    assert code == 0
    assert len(said["logs"]) == 2
    assert said["bytes"] == sum(Path(p).stat().st_size for p in said["logs"])
    truth = json.loads((folder / "truth.json").read_text())
    assert [s["source"] for s in truth["sessions"]] == [Path(p).name for p in said["logs"]]


def test_building_twice_adds_nothing_and_finds_the_same(tmp_path, logs, capsys):
    archive = str(tmp_path / "archive")
    words = ("--archive", archive, "--logs", str(logs), "--no-serve")
    code, first, err = run(capsys, *words)
    assert code == 0, err
    assert (first["sessions"], first["added"], first["refused"]) == (4, 4, [])
    assert first["baseline"]
    code, second, err = run(capsys, *words)
    assert code == 0, err
    assert (second["sessions"], second["added"]) == (4, 0)
    assert second["baseline"] == first["baseline"]
    assert second["flags"] == first["flags"]
    assert second["trends"] == first["trends"]


def test_a_log_refused_that_should_not_be_is_exit_code_1(tmp_path, logs, capsys):
    broken = tmp_path / "logs"
    broken.mkdir()
    for path in logs.iterdir():
        (broken / path.name).write_bytes(path.read_bytes())
    log = next(broken.glob("*.parquet"))
    log.write_bytes(log.read_bytes()[:5000])
    code, said, _ = run(
        capsys, "--archive", str(tmp_path / "a"), "--logs", str(broken), "--no-serve"
    )
    assert code == 1
    assert [Path(r["source"]).name for r in said["refused"]] == [log.name]
    assert said["sessions"] == 3


def test_the_demo_stays_out_of_somebody_elses_archive(tmp_path, logs, capsys):
    archive = open_archive(tmp_path / "own", create=True)
    plan = SessionPlan(minutes=1.0, rate_hz=10.0)
    frame, _ = simulate_session(plan, 1)
    record = session_record(plan, frame, arm="Own Arm")
    archive.add_session(record, {"main": frame})
    code, _, err = run(
        capsys, "--archive", str(tmp_path / "own"), "--logs", str(logs), "--no-serve"
    )
    assert code == 2
    assert "Own Arm" in err
    assert archive.sessions().height == 1


def test_a_folder_without_demo_logs_is_named(tmp_path, capsys):
    code, _, err = run(capsys, "--logs", str(tmp_path), "--archive", str(tmp_path / "a"))
    assert code == 2
    assert "contents.toml" in err
    assert str(tmp_path) in err
