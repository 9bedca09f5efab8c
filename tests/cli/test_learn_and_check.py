"""`jointbook learn` and `check` on a small bench archive."""

import json

import pytest

from replay.cli.main import main
from replay.signals.motions import indexed_sessions
from tests.checks.sessions import add, bench


@pytest.fixture(scope="module")
def taught(tmp_path_factory):
    from replay.archive import open_archive

    folder = tmp_path_factory.mktemp("archive")
    archive = open_archive(folder, create=True)
    for k in range(8):
        add(archive, f"s{k:02d}", bench(k, minutes=3.0), day=k)
    assert main(["learn", "--archive", str(folder), "--json"]) == 0
    return folder, archive


def test_calibration_is_shown_on_sessions_left_out(taught, capsys):
    folder, _ = taught
    capsys.readouterr()
    assert main(["learn", "--calibration", "--archive", str(folder), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert [r["nominal"] for r in said["rates"]] == sorted(r["nominal"] for r in said["rates"])
    for row in said["rates"]:
        assert row["joint_hours"] == pytest.approx(8 * 2 * 0.05, rel=0.05)
        assert row["low"] <= row["observed"] <= row["high"]
        assert row["observed"] == pytest.approx(100 * row["events"] / row["joint_hours"])
    assert said["taught_it"] == []
    assert "cannot promise this rate from so few sessions" in said["promise"]


def test_calibration_on_named_sessions_says_which_of_them_taught(taught, capsys):
    folder, archive = taught
    add(archive, "fresh", bench(77, minutes=3.0), day=20)
    capsys.readouterr()
    words = ["learn", "fresh", "s03", "--archive", str(folder), "--json", "--calibration"]
    assert main(words) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["taught_it"] == ["s03"]
    assert said["rates"][0]["joint_hours"] == pytest.approx(2 * 2 * 0.05, rel=0.05)


def test_a_person_reads_the_calibration(taught, capsys):
    folder, _ = taught
    assert main(["learn", "--calibration", "--archive", str(folder)]) == 0
    assert "flags per 100 joint-hours, 90 % interval" in capsys.readouterr().out


def test_check_indexes_the_motions_of_what_it_checked(taught, capsys):
    folder, archive = taught
    assert main(["check", "s01", "--archive", str(folder), "--json"]) == 0
    assert "s01" in indexed_sessions(archive)
