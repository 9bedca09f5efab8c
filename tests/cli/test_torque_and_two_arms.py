"""Logs with torque or a target current through learn and check; two arms that both have a J1."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl
import pytest

from replay.cli.main import main
from tests.cleaning.logs import MAP, samples, take
from tests.corpus.truth import motion

RATE = '[joint.rate]\ncolumn = "v{n}"\nunit = "deg/s"\n'
CURRENT = '[joint.current]\ncolumn = "i{n}"\nunit = "A"\n'
MORE = {
    "torque": '[joint.torque]\ncolumn = "tq{n}"\nunit = "N m"\n',
    "target": '[joint.target_current]\ncolumn = "it{n}"\nunit = "A"\n',
}


def log(folder: Path, seed: int, gain: float = 1.0) -> Path:
    seen = motion(seed, 2, rows=800).channels
    when = pl.Series(motion(seed, 2, rows=800).ns).cast(pl.Datetime("ns", "UTC"))
    columns: dict[str, object] = {"t": when.dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ")}
    for j in (0, 1):
        columns[f"a{j + 1}"] = seen["angle_deg"][j]
        columns[f"v{j + 1}"] = seen["rate_deg_s"][j]
        columns[f"i{j + 1}"] = gain * seen["current_a"][j]
        columns[f"it{j + 1}"] = gain * seen["current_target_a"][j]
        columns[f"tq{j + 1}"] = seen["torque_nm"][j]
    path = folder / f"log{seed:02d}.csv"
    pl.DataFrame(columns).write_csv(path)
    return path


@pytest.mark.parametrize("instead", ["torque", "target"])
def test_without_a_measured_current_nothing_is_expected_and_that_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], instead: str
) -> None:
    log_map = MAP.replace(CURRENT, "") + RATE + MORE[instead]
    archive, result = take(tmp_path, log(tmp_path, 1), log_map=log_map)
    session = result.sessions[0]
    what = {"torque": "joint torque is kept", "target": "target current is kept"}[instead]
    assert any(s.startswith("no motor current") for s in session.switched_off)
    assert any(s.startswith(what) for s in session.switched_off)
    where = ["--archive", str(tmp_path / "archive")]
    capsys.readouterr()
    assert main(["learn", *where]) == 1
    assert "no joint has enough samples with a current" in capsys.readouterr().err
    assert main(["mechanics", session.session, *where]) == 0
    quantity = {"torque": "torque_nm", "target": "current_target_a"}[instead]
    column = {"torque": "tq1", "target": "it1"}[instead]
    stored = samples(archive, session)[f"J1.{quantity}"].to_list()
    assert stored == pl.read_csv(tmp_path / "log01.csv")[column].to_list()


def test_two_arms_that_both_have_a_j1_share_no_history(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    logs = {"east": [1, 2], "west": [11, 12]}
    for arm, seeds in logs.items():
        log_map = MAP.replace("[log]", f'[log]\narm = "{arm}"') + RATE + "".join(MORE.values())
        paths = [log(tmp_path, s, 1.0 if arm == "east" else 4.0) for s in seeds]
        archive, result = take(tmp_path, *paths, log_map=log_map)
        assert not result.refused
        assert {s.unit("J1") for s in result.sessions} == {f"{arm} J1"}
    # a log of the one arm at the same time as one of the other is no rival of it
    both = take(tmp_path, tmp_path / "log01.csv", log_map=log_map)[1]
    assert [s.arm for s in both.sessions] == ["west"]
    assert archive.sessions().height == 5
    where = ["--archive", str(tmp_path / "archive"), "--json"]
    capsys.readouterr()
    taught = [n for n in archive.sessions()["session"] if n != both.sessions[0].session]
    assert main(["learn", *taught, *where]) == 0  # with the odd one a third would be odd
    learned = json.loads(capsys.readouterr().out)
    text = json.dumps(learned)
    for unit in ("east J1", "east J2", "west J1", "west J2"):
        assert unit in text
    assert main(["check", both.sessions[0].session, *where]) == 0
    flagged = set(archive.table("flags")["unit"])
    assert flagged <= {"west J1", "west J2"}
    # the east arm's currents are a fourth of the west arm's: its own baseline finds that odd
    assert flagged
