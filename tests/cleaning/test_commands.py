"""The commands: JSON on stdout, messages on stderr, exit codes; the watch."""

from __future__ import annotations

import io
import json
import shutil
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import pytest

from replay.archive import open_archive
from replay.cleaning.folder_watcher import watch_folder
from replay.cli.main import main
from tests.cleaning.logs import MAP, table, text


def jointbook(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run the command, in this process, with an archive below the folder."""
    out, err = (io.TextIOWrapper(io.BytesIO(), "utf-8", write_through=True) for _ in range(2))
    with redirect_stdout(out), redirect_stderr(err):
        try:
            code = main([*words, "--archive", str(folder / "archive")])
        except SystemExit as end:  # argparse's own way out
            code = int(end.code or 0)
    said = [stream.buffer.getvalue().decode() for stream in (out, err)]
    return subprocess.CompletedProcess(words, code, *said)


def test_a_process_of_its_own_says_the_same(tmp_path: Path, log: Path) -> None:
    words = ("ingest", str(tmp_path / "none.csv"), "--archive", str(tmp_path / "archive"))
    done = subprocess.run(
        [sys.executable, "-m", "replay", *words], capture_output=True, text=True, check=False
    )
    here = jointbook(tmp_path, "ingest", str(tmp_path / "none.csv"))
    assert (done.returncode, done.stdout, done.stderr) == (2, here.stdout, here.stderr)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """Return a good log beside its map."""
    (tmp_path / "map.toml").write_text(MAP)
    path = tmp_path / "log.csv"
    path.write_text(text(table(120)))
    return path


def test_json_of_ingest(tmp_path: Path, log: Path) -> None:
    words = ("ingest", str(log), "--map", str(tmp_path / "map.toml"), "--json")
    done = jointbook(tmp_path, *words)
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    session = document["sessions"][0]
    assert session["rows"] == 120
    assert session["source"] == "log.csv"
    assert session["joints"] == ["J1", "J2"]
    assert session["start"] == "2031-03-01T00:00:00Z"
    assert session["end"] == "2031-03-01T00:00:11.900000Z"
    assert document["refused"] == []
    again = json.loads(jointbook(tmp_path, *words).stdout)
    assert again["sessions"] == []
    assert again["unchanged"] == [session["session"]]


def test_what_is_set_aside_or_refused_makes_exit_1(tmp_path: Path, log: Path) -> None:
    cut = tmp_path / "cut.csv"
    cut.write_text(text(table(120)).replace("2031", "2033")[:-3])
    words = ("--map", str(tmp_path / "map.toml"), "--json")
    done = jointbook(tmp_path, "ingest", str(cut), *words)
    assert done.returncode == 1
    quality = json.loads(done.stdout)["sessions"][0]["quality"]
    assert {q["kind"] for q in quality} == {"cut-row"}
    assert set(quality[0]) >= {"kind", "joint", "channel", "start", "end", "detail"}
    empty = tmp_path / "empty.csv"
    empty.write_text("")
    done = jointbook(tmp_path, "ingest", str(empty), str(log), *words)
    assert done.returncode == 1
    document = json.loads(done.stdout)
    assert document["refused"] == [{"source": str(empty), "reason": "the file is empty"}]
    assert len(document["sessions"]) == 1


def test_wrong_usage_is_exit_2(tmp_path: Path) -> None:
    done = jointbook(tmp_path, "ingest", str(tmp_path / "none.csv"))
    assert done.returncode == 2
    assert "no such file" in done.stderr
    assert done.stdout == ""


@pytest.mark.parametrize("option", ["--map", "--arm"])
def test_a_map_or_arm_file_that_is_not_there_is_wrong_usage(
    tmp_path: Path, log: Path, option: str
) -> None:
    done = jointbook(tmp_path, "ingest", str(log), option, str(tmp_path / "none.toml"))
    assert done.returncode == 2
    assert "none.toml: no such file" in done.stderr
    assert not (tmp_path / "archive").exists()
    assert jointbook(tmp_path, "map", str(tmp_path / "none.csv")).returncode == 2


def test_routine_notes_do_not_bury_the_others(tmp_path: Path, log: Path) -> None:
    rows = log.read_text().splitlines()
    log.write_text("\n".join([*rows[:40], rows[39], *rows[40:]]) + "\n")
    (tmp_path / "map.toml").write_text(MAP.replace('"deg"', '"rad"').replace('"A"', '"mA"'))
    words = ("ingest", str(log), "--map", str(tmp_path / "map.toml"))
    quality = json.loads(jointbook(tmp_path, *words, "--json").stdout)["sessions"][0]["quality"]
    assert [(q["kind"], q["level"]) for q in quality] == [
        ("duplicate", "told"),
        *[("unit", "routine")] * 4,
    ]
    shutil.rmtree(tmp_path / "archive")
    said = jointbook(tmp_path, *words).stderr
    assert said.index("  duplicate: ") < said.index("  unit: ")
    assert said.count("  unit: ") == 1
    assert "and 3 more like it" in said


def test_watch_waits_for_a_copy_to_stand_still(tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    whole = text(table(300))
    path = folder / "log.csv"
    path.write_text(whole[: len(whole) // 2])
    now = [0.0]
    writes = {3.0: whole[: len(whole) * 3 // 4], 6.0: whole}

    def sleep(seconds: float) -> None:
        now[0] += seconds
        if now[0] in writes:
            path.write_text(writes[now[0]])

    archive = open_archive(tmp_path / "archive", create=True)
    found = watch_folder(
        archive,
        folder,
        settle_s=5.0,
        poll_s=1.0,
        stop=lambda: now[0] > 30.0,
        clock=lambda: now[0],
        sleep=sleep,
        log_map=MAP,
    )
    taken = [(now[0], result) for result in found]
    assert len(taken) == 1
    assert taken[0][0] >= 11.0
    assert taken[0][1].sessions[0].rows == 300


def test_a_wrong_name_leaves_no_archive_behind(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    for source in ("not-there.csv", "empty"):
        done = jointbook(tmp_path, "ingest", str(tmp_path / source))
        assert done.returncode == 2
        assert source in done.stderr
    assert not (tmp_path / "archive").exists()


def test_what_the_arm_file_leaves_out_is_said(tmp_path: Path, log: Path) -> None:
    arm = tmp_path / "arm.toml"
    arm.write_text('[arm]\nname = "bare"\n[[joints]]\nname = "J1"\n[[joints]]\nname = "J2"\n')
    words = ("ingest", str(log), "--map", str(tmp_path / "map.toml"), "--arm", str(arm))
    document = json.loads(jointbook(tmp_path, *words, "--json").stdout)
    assert any("brake_torque_nm" in line for line in document["arm_switched_off"])
    assert "brake margin is off" in jointbook(tmp_path, *words).stderr


def test_a_file_that_cannot_be_written_is_no_traceback(tmp_path: Path, log: Path) -> None:
    away = str(tmp_path / "no-such-folder" / "log.map.toml")
    done = jointbook(tmp_path, "map", str(log), "--out", away)
    assert done.returncode == 1
    assert away in done.stderr
    assert "Traceback" not in done.stderr


def test_flags_of_a_session_that_is_not_there_are_not_no_flags(tmp_path: Path, log: Path) -> None:
    jointbook(tmp_path, "ingest", str(log), "--map", str(tmp_path / "map.toml"))
    done = jointbook(tmp_path, "flags", "20990101T000000Z-none")
    assert done.returncode == 1
    assert "20990101T000000Z-none" in done.stderr


LONG_MAP = """
[log]
layout = "long"
joints = 1
[long]
time = "time"
channel = "channel"
value = "value"
[time]
column = "time"
format = "iso8601"
[joint.rate]
column = "j{n}.rate"
unit = "deg/s"
[joint.current]
column = "j{n}.current"
unit = "A"
"""


def long_log(tmp_path: Path, seconds: list[int], spoilt: int | None = None) -> tuple[str, ...]:
    """Write a long table of two channels, return the words that ingest it."""
    lines = [
        f"2031-03-01T00:{s // 60:02d}:{s % 60:02d}Z,j1.{what},{s / 10}"
        for s in seconds
        for what in ("rate", "current")
    ]
    if spoilt is not None:
        lines[spoilt - 1] = lines[spoilt - 1].rpartition(",")[0] + ",oops"
    (tmp_path / "long.csv").write_text("\n".join(["time,channel,value", *lines]) + "\n")
    (tmp_path / "long.toml").write_text(LONG_MAP)
    return "ingest", str(tmp_path / "long.csv"), "--map", str(tmp_path / "long.toml"), "--json"


def test_a_long_table_names_the_row_of_the_file(tmp_path: Path) -> None:
    done = jointbook(tmp_path, *long_log(tmp_path, list(range(100)), spoilt=84))
    (note,) = [q for q in json.loads(done.stdout)["sessions"][0]["quality"] if q["kind"] == "text"]
    assert "first in row 84)" in note["detail"]
    assert done.returncode == 1


def test_a_clock_that_runs_backwards_in_a_long_table_is_told(tmp_path: Path) -> None:
    done = jointbook(tmp_path, *long_log(tmp_path, [*range(60), *range(40, 100)]))
    quality = json.loads(done.stdout)["sessions"][0]["quality"]
    (note,) = [q for q in quality if q["kind"] == "clock-step"]
    assert "(rows 121, 122)" in note["detail"]
    assert note["count"] == 2
    assert done.returncode == 1


def test_two_columns_of_one_name_are_told(tmp_path: Path, log: Path) -> None:
    head, *rows = log.read_text().splitlines()
    name = head.split(",")[1]
    log.write_text("\n".join([f"{head},{name}", *(f"{row},9" for row in rows)]) + "\n")
    done = jointbook(tmp_path, "ingest", str(log), "--map", str(tmp_path / "map.toml"), "--json")
    quality = json.loads(done.stdout)["sessions"][0]["quality"]
    (note,) = [q for q in quality if q["kind"] == "same-name"]
    assert repr(name) in note["detail"]
    assert done.returncode == 1
