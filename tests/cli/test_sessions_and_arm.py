"""Sessions are listed and named by their beginning; an arm file is held against currents."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from replay.arm import load_arm, loads
from replay.cli.main import main
from tests.cleaning.logs import MAP, instants, only, table, take

GROUND = """
[arm]
name = "ground"
gravity_m_s2 = [0, 0, -9.81]
[arm.tip]
xyz_m = [0, 0, 0.5]
[[joints]]
name = "J1"
gear_ratio = 100.0
torque_constant_nm_a = 0.1
[joints.geometry]
xyz_m = [0, 0, 0.5]
axis = [0, 1, 0]
[joints.link]
mass_kg = 10.0
centre_m = [0, 0, 0.25]
[[joints]]
name = "J2"
gear_ratio = 100.0
torque_constant_nm_a = 0.1
[joints.geometry]
xyz_m = [0, 0, 0.5]
axis = [0, 1, 0]
[joints.link]
mass_kg = 5.0
centre_m = [0, 0, 0.25]
"""


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(words)
    said = capsys.readouterr()
    return code, said.out, said.err


def test_sessions_are_listed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    logs = []
    for n in (4, 3):
        frame = table(100, seed=n).with_columns(pl.col("t").str.replace("-03-", f"-0{n}-"))
        logs.append(tmp_path / f"{n}.csv")
        frame.write_csv(logs[-1])
    take(tmp_path, *logs)
    where = ("--archive", str(tmp_path / "archive"))
    code, out, _ = run(capsys, "sessions", *where, "--json")
    rows = json.loads(out)["sessions"]
    assert code == 0
    assert [r["source"] for r in rows] == ["3.csv", "4.csv"]
    assert rows[0]["seconds"] == pytest.approx(9.9)
    assert (rows[0]["completeness"], rows[0]["flags"], rows[0]["checked"]) == (1.0, 0, False)
    code, out, _ = run(capsys, "sessions", "20310401", *where, "--json")
    assert [r["source"] for r in json.loads(out)["sessions"]] == ["4.csv"]
    code, out, _ = run(capsys, "sessions", *where)
    assert "0:00:10" in out
    assert "not checked" in out


def one_session(folder: Path) -> tuple[str, str]:
    """Take one log in; returns how a command is told where."""
    log = folder / "one.csv"
    table(100, seed=4).write_csv(log)
    take(folder, log)
    return "--archive", str(folder / "archive")


def test_a_mistyped_name_is_no_empty_list(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each said "no session fits" or "nothing waits", and ended as if all were well."""
    where = one_session(tmp_path)
    _, out, _ = run(capsys, "sessions", *where, "--json")
    (row,) = json.loads(out)["sessions"]
    typo = row["arm"][:-1]
    for words in (
        ("sessions", "--arm", typo),
        ("queue", "--arm", typo),
        ("sessions", row["session"] + "x"),
    ):
        code, out, err = run(capsys, *words, *where)
        assert code != 0, words
        assert f"nearest: {row['arm' if '--arm' in words else 'session']}" in out + err
    code, out, err = run(capsys, "sessions", *where, "--since", "2031-13-01")
    assert (code, "is not a time" in err) == (2, True)


def test_the_list_of_sessions_is_kept_as_a_table(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = one_session(tmp_path)
    for form, read in ((".csv", pl.read_csv), (".parquet", pl.read_parquet)):
        out = tmp_path / f"sessions{form}"
        assert run(capsys, "sessions", *where, "--out", str(out))[0] == 0
        kept = read(out)
        assert kept.height == 1
        assert {"session", "start", "end", "arm", "completeness", "flags"} <= set(kept.columns)


def test_a_beginning_that_fits_two_sessions_is_a_question(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for n in (3, 4):
        frame = table(100, seed=n).with_columns(pl.col("t").str.replace("-03-", f"-0{n}-"))
        frame.write_csv(tmp_path / f"{n}.csv")
    take(tmp_path, tmp_path / "3.csv", tmp_path / "4.csv")
    code, _, err = run(
        capsys, "mechanics", "2031", "--archive", str(tmp_path / "archive"), "--json"
    )
    assert code == 2
    assert "2 sessions are meant by '2031'" in err


def ground_log(folder: Path, sign: float) -> Path:
    """Write a slow swing whose currents are the loads of GROUND, of this sign on J2."""
    arm = load_arm(GROUND)
    t = np.arange(1500) / 10
    angle = np.stack([40 * np.sin(0.05 * t), 60 * np.sin(0.08 * t)], axis=1)
    rate = np.gradient(angle, t, axis=0)
    torque = loads(arm, angle, rate, np.zeros_like(rate)).torque_nm
    rng = np.random.default_rng(3)
    current = torque / 10 * [1.0, sign] + rng.normal(0, 0.02, torque.shape)
    path = folder / "ground.csv"
    pl.DataFrame(
        {
            "t": instants(1500).dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ"),
            **{f"a{n + 1}": angle[:, n] for n in (0, 1)},
            **{f"i{n + 1}": current[:, n] for n in (0, 1)},
        }
    ).write_csv(path)
    return path


@pytest.mark.parametrize(("sign", "code"), [(1.0, 0), (-1.0, 1)])
def test_a_wrong_sign_shows_against_the_currents(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], sign: float, code: int
) -> None:
    session = only(take(tmp_path, ground_log(tmp_path, sign), log_map=MAP)[1])
    (tmp_path / "ground.toml").write_text(GROUND)
    where = ("--archive", str(tmp_path / "archive"), "--json")
    got, out, _ = run(
        capsys, "arm", str(tmp_path / "ground.toml"), "--session", session.session[:12], *where
    )
    compared = {c["joint"]: c for c in json.loads(out)["compared"]}
    assert got == code
    assert compared["J1"]["r"] > 0.9
    assert compared["J1"]["slope"] == pytest.approx(1.0, abs=0.05)
    assert compared["J2"]["r"] * sign > 0.9
    assert bool(compared["J2"]["finding"]) == (sign < 0)


def test_a_wrong_frame_shows_against_the_currents(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    session = only(take(tmp_path, ground_log(tmp_path, 1.0), log_map=MAP)[1])
    last = GROUND.rindex("centre_m = [0, 0, 0.25]")
    turned = GROUND[:last] + GROUND[last:].replace("[0, 0, 0.25]", "[0.25, 0, 0]")
    (tmp_path / "ground.toml").write_text(turned)  # the last link's frame a quarter turn off
    where = ("--archive", str(tmp_path / "archive"), "--json")
    code, out, _ = run(capsys, "arm", str(tmp_path / "ground.toml"), "--session", "2031", *where)
    compared = {c["joint"]: c for c in json.loads(out)["compared"]}
    assert session.session.startswith("2031")
    assert code == 1
    assert compared["J2"]["finding"]
    assert compared["J2"]["r"] < 0.6


def test_an_arm_file_is_drawn_from_both_ends_and_its_gaps_are_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "ground.toml"
    file.write_text(GROUND.replace("xyz_m = [0, 0, 0.5]\n[[", "xyz_m = [0, 0, -0.5]\n[[", 1))
    code, out, _ = run(capsys, "arm", str(file), "--svg", str(tmp_path / "arm.svg"))
    assert code == 1
    assert "looks into the arm" in out
    assert out.count("axis") >= 2 or out.count("J1") >= 2
    assert "off: " in out
    assert (tmp_path / "arm.svg").read_text().count("J2") >= 4  # two ends, two sides


def test_taking_logs_in_says_what_is_doubtful_in_the_arm_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "ground.toml"
    file.write_text(GROUND.replace("xyz_m = [0, 0, 0.5]\n[[", "xyz_m = [0, 0, -0.5]\n[[", 1))
    (tmp_path / "log.map.toml").write_text(MAP)
    words = ("ingest", str(ground_log(tmp_path, 1.0)), "--map", str(tmp_path / "log.map.toml"))
    where = ("--arm", str(file), "--archive", str(tmp_path / "archive"))
    _, out, err = run(capsys, *words, *where)
    assert "looks into the arm" in out + err


def test_the_beginning_of_a_session_is_taken_everywhere(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table(400).write_csv(tmp_path / "log.csv")
    session = only(take(tmp_path, tmp_path / "log.csv")[1]).session
    where = ("--archive", str(tmp_path / "archive"))
    short = session[:6]
    for words in (
        ("learn", short),
        ("check", short),
        ("flags", short),
        ("queue", short),
        ("mechanics", short),
        ("sign", short),
        ("record", "show", "--session", short),
        ("report", short, "--form", "html", "--out", str(tmp_path / "report")),
        ("bundle", "make", short, "--out", str(tmp_path / "bundle.zip")),
        ("archive", "rebuild", short),
        ("archive", "remove", short, "--why", "tried", "--who", "R. Reed"),
    ):
        code, out, err = run(capsys, *words, *where)
        assert code == 0, (words, out, err)
