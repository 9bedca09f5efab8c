"""`jointbook learn` and `check` on a small bench archive."""

import json

import numpy as np
import pytest

from replay.cli.main import main
from replay.signals.motion.motions import indexed_sessions
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


def test_two_baselines_lie_side_by_side(tmp_path, capsys):
    from replay.archive import open_archive

    archive = open_archive(tmp_path, create=True)
    for k in range(12):
        columns = bench(k, minutes=3.0)
        if k >= 6:  # a unit that has grown stiffer
            extra = 0.3 * np.sign(columns["P1"]["_rate"]) * columns["P1"]["_moving"]
            columns["P1"]["current_a"] = columns["P1"]["current_a"] + extra
        add(archive, f"s{k:02d}", columns, day=k)
    versions = []
    for names in (range(6), range(5, 12)):
        words = ["learn", *(f"s{k:02d}" for k in names), "--archive", str(tmp_path), "--json"]
        assert main(words) == 0
        versions.append(json.loads(capsys.readouterr().out)["baseline"])
    asked = ["learn", "--archive", str(tmp_path), "--beside", *versions]
    assert main([*asked, "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert [b["baseline"] for b in said["baselines"]] == versions
    assert said["only_first"] == [f"s{k:02d}" for k in range(5)]
    assert said["only_second"] == [f"s{k:02d}" for k in range(6, 12)]
    units = {u["unit"]: u for u in said["units"]}
    seen = [r for r in units["S-1"]["expected"] if r["difference_a"] is not None]
    assert len(seen) >= 4
    for row in seen:
        assert row["difference_a"] * np.sign(row["rate_deg_s"]) == pytest.approx(0.3, abs=0.08)
    for row in units["S-2"]["expected"]:
        if row["difference_a"] is not None:
            assert row["difference_a"] == pytest.approx(0.0, abs=0.08)
    assert 0.01 < units["S-1"]["least_drag_a"]["first"] < 1.0
    assert main(asked) == 0
    text = capsys.readouterr().out
    assert versions[0] in text
    assert "second less first" in text
    assert main([*asked, "--calibration"]) == 2
