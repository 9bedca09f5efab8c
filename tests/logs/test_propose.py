"""Proposals for logs in many people's ways of naming columns."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from replay.archive import open_archive
from replay.cleaning import ingest
from replay.logs import load_map, propose_map
from replay.logs.proposing.proposal import Line
from tests.cleaning.logs import instants
from tests.real_logs import whole

ROWS = 1500


def motion(n: int, radians: bool = False) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return an angle, its rate and a current, at 10 Hz."""
    t = np.arange(ROWS) / 10.0
    angle = 40 * np.sin(0.07 * t + n)
    rate = 40 * 0.07 * np.cos(0.07 * t + n)
    rng = np.random.default_rng(n)
    current = np.sign(rate) + 0.2 * rate + rng.normal(0, 0.05, ROWS)
    scale = np.pi / 180 if radians else 1.0
    return angle * scale, rate * scale, current


def log(
    folder: Path, angle: str, rate: str, current: str, keys: list[str], *, radians: bool = False
) -> Path:
    """Write a log whose columns are made by these patterns."""
    columns: dict[str, object] = {"time": instants(ROWS).dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ")}
    for n, k in enumerate(keys):
        a, r, i = motion(n, radians)
        if angle:
            columns[angle.format(k)] = a
        if rate:
            columns[rate.format(k)] = r
        columns[current.format(k)] = i
    path = folder / "log.csv"
    pl.DataFrame(columns).write_csv(path)
    return path


SEVEN = [str(n) for n in range(1, 8)]
NAMED = ["SHOULDER_ROLL", "SHOULDER_YAW", "ELBOW_PITCH", "WRIST_YAW", "WRIST_ROLL"]


@pytest.mark.parametrize(
    ("angle", "rate", "current", "keys"),
    [
        ("joint{}_pos_deg", "joint{}_vel_deg_s", "joint{}_current_A", SEVEN),
        ("J{}_Angle [deg]", "J{}_Rate [deg/s]", "J{}_Current [A]", SEVEN),
        ("Joint {} Angle (deg)", "Joint {} Speed (deg/s)", "Joint {} Motor Current (A)", SEVEN),
        ("{}_POS_DEG", "{}_VEL_DPS", "{}_CURR_AMPS", NAMED),
        ("q{}_deg", "qd{}_deg_s", "i{}_a", SEVEN),
        ("axis{}.pos.actual[deg]", "axis{}.vel.actual[deg/s]", "axis{}.cur.actual[A]", SEVEN),
        ("theta_{}_deg", "omega_{}_dps", "motor_cur_{}_A", [str(n) for n in range(6)]),
    ],
)  # fmt: skip
def test_units_in_names(
    tmp_path: Path, angle: str, rate: str, current: str, keys: list[str]
) -> None:
    path = log(tmp_path, angle, rate, current, keys)
    proposal = propose_map(path)
    assert proposal.sure, proposal.toml
    result = ingest(open_archive(tmp_path / "a", create=True), path)
    assert not result.refused
    assert len(result.sessions[0].joints) == len(keys)
    assert result.sessions[0].channels["main"][0].endswith(".angle_deg")
    data = open_archive(tmp_path / "a").samples(result.sessions[0].session).collect()
    joints = result.sessions[0].joints
    assert data[f"{joints[1]}.rate_deg_s"].to_list() == pytest.approx(motion(1)[1].tolist())
    assert data[f"{joints[-1]}.current_a"].to_list() == pytest.approx(
        motion(len(keys) - 1)[2].tolist()
    )


def test_angle_against_rate_tells_mixed_units(tmp_path: Path) -> None:
    path = log(tmp_path, "q{}_deg", "w{}", "i{}", SEVEN)
    frame = pl.read_csv(path)
    frame.with_columns(pl.col(f"w{n}") * np.pi / 180 for n in SEVEN).write_csv(path)
    lines = {(line.table, line.key): line for line in propose_map(path).lines}
    assert lines["joint.rate", "unit"].value == '"rad/s"'
    assert lines["joint.rate", "unit"].confidence >= 0.9


def test_slow_rate_without_a_unit_is_not_used_unseen(tmp_path: Path) -> None:
    path = log(tmp_path, "", "speed{}", "current{}", SEVEN)
    proposal = propose_map(path)
    assert not proposal.sure
    result = ingest(open_archive(tmp_path / "a", create=True), path)
    assert "jointbook map" in result.refused[0].reason
    assert load_map(proposal.toml).joint.keys() == {"rate", "current"}


def test_unit_row_speaks(tmp_path: Path) -> None:
    path = log(tmp_path, "pos{}", "vel{}", "cur{}", SEVEN)
    header, *rest = path.read_text().splitlines()
    units = ",".join(
        {"p": "deg", "v": "deg/s", "c": "A", "t": "UTC"}[c[0]] for c in header.split(",")
    )
    path.write_text("\n".join([header, units, *rest]) + "\n")
    proposal = propose_map(path)
    assert proposal.sure, proposal.toml


def test_brake_polarity_comes_from_motion(tmp_path: Path) -> None:
    path = log(tmp_path, "pos{}_deg", "vel{}_deg_s", "cur{}_A", SEVEN)
    frame = pl.read_csv(path)
    held = pl.int_range(pl.len()) % 500 < 200
    frame = frame.with_columns(
        *(pl.when(held).then(0.0).otherwise(f"vel{n}_deg_s").alias(f"vel{n}_deg_s") for n in SEVEN),
        *(
            pl.when(held).then(pl.lit("off")).otherwise(pl.lit("on")).alias(f"brake{n}")
            for n in SEVEN
        ),
    )
    frame.write_csv(path)
    words = load_map(propose_map(path).toml).joint["brake_state"].words
    assert words == {"off": "engaged", "on": "released"}


def brakes_said(folder: Path, held: str, free: str, *, backwards: bool = False) -> Line:
    """Return what is proposed for the words of brakes that hold two fifths of the time."""
    path = log(folder, "pos{}_deg", "vel{}_deg_s", "cur{}_A", SEVEN)
    rests = pl.int_range(pl.len()) % 500 < 200
    said = pl.when(~rests if backwards else rests).then(pl.lit(held)).otherwise(pl.lit(free))
    still = (pl.when(rests).then(0.0).otherwise(pl.col(f"vel{n}_deg_s")) for n in SEVEN)
    frame = pl.read_csv(path).with_columns(
        *(rate.alias(f"vel{n}_deg_s") for rate, n in zip(still, SEVEN, strict=True)),
        *(said.alias(f"freio {n}") for n in SEVEN),
    )
    frame.write_csv(path)
    return next(
        x for x in propose_map(path).lines if x.table == "joint.brake_state" and x.key == "words"
    )


@pytest.mark.parametrize(
    ("held", "free"), [("fechado", "aberto"), ("Fechada", "Aberta"), ("closed", "open")]
)
def test_brake_words_say_so_in_portuguese_too(tmp_path: Path, held: str, free: str) -> None:
    line = brakes_said(tmp_path, held, free)
    assert tomllib.loads(f"words = {line.value}")["words"] == {held: "engaged", free: "released"}
    assert line.confidence >= 0.9
    assert "words say so" in line.why


def test_brake_words_against_the_motion_are_asked_about(tmp_path: Path) -> None:
    """A contact that is closed while the brake is open, say."""
    line = brakes_said(tmp_path, "fechado", "aberto", backwards=True)
    assert line.confidence <= 0.5
    assert "move while it says fechado" in line.why


def test_an_angle_written_on_change_tells_no_word_of_its_rests(tmp_path: Path) -> None:
    """Nothing is written at rest but the step that ends a motion, and the words mean nothing."""
    k = np.arange(4000)
    goes = k // 200 % 2 == 1
    path = tmp_path / "log.csv"
    columns = {"t": np.round(k / 20, 2)}
    for n in (1, 2):
        angle = np.round(np.where(goes, 10 * np.sin(k / 90 + n), 3.0), 3)
        columns[f"a{n}_deg"] = np.where(np.diff(angle, prepend=np.nan) == 0, np.nan, angle)
        columns[f"i{n}_A"] = np.where(goes, 1.0, 0.1)
    words = pl.Series("brake1", np.where(goes, "frei", "zu"))
    pl.DataFrame(columns, nan_to_null=True).with_columns(words).write_csv(path)
    said = [
        x for x in propose_map(path).lines if (x.table, x.key) == ("joint.brake_state", "words")
    ]
    assert not [x for x in said if "engaged" in x.value and x.confidence > 0.5]


def test_toml_carries_confidence_and_parses(tmp_path: Path) -> None:
    path = log(tmp_path, "q{}", "dq{}", "i{}", SEVEN)
    text = propose_map(path).toml
    assert tomllib.loads(text)["log"]["joints"] == 7
    assert all("#" in line for line in text.splitlines() if "=" in line)
    assert "certain" not in text  # whatever its figure, a line is a guess


@pytest.mark.parametrize(
    ("keys", "nearest"),
    [(["0", "1", "2"], "number 0"), (SEVEN, "number 1"), (NAMED, "the first joint")],
)
def test_what_is_assumed_of_the_numbers_names_the_maps_own(
    tmp_path: Path, keys: list[str], nearest: str
) -> None:
    path = log(tmp_path, "{}_pos_deg", "{}_vel_deg_s", "{}_current_A", keys)
    (line,) = (x for x in propose_map(path).lines if x.key == "numbering")
    assert line.why == f"assumed: {nearest} is the joint nearest end A"


def test_a_time_in_an_unknown_form_is_named(tmp_path: Path) -> None:
    path = log(tmp_path, "q{}_deg", "dq{}_deg_s", "i{}_A", SEVEN)
    unknown = instants(ROWS).dt.strftime("%H.%M.%S on %d/%m")
    pl.read_csv(path).with_columns(time=unknown).write_csv(path)
    proposal = propose_map(path)
    assert not proposal.sure
    assert any("column 'time' reads as no time" in line.why for line in proposal.doubts)


def test_a_day_that_may_be_a_month_is_a_doubt(tmp_path: Path) -> None:
    path = log(tmp_path, "q{}_deg", "dq{}_deg_s", "i{}_A", SEVEN)
    day_first = instants(ROWS).dt.strftime("%d.%m.%Y %H:%M:%S%.3f")
    pl.read_csv(path).with_columns(time=day_first).write_csv(path)
    proposal = propose_map(path)
    assert not proposal.sure
    assert any("no day above 12 shows it" in line.why for line in proposal.doubts)
    sure = day_first.str.replace("01.03", "13.03", literal=True)
    pl.read_csv(path).with_columns(time=sure).write_csv(path)
    assert not any(line.table == "time" for line in propose_map(path).doubts)


def test_command_writes_the_map(tmp_path: Path) -> None:
    path = log(tmp_path, "q{}_deg", "dq{}_deg_s", "i{}_A", SEVEN)
    out = tmp_path / "map.toml"
    done = subprocess.run(
        [sys.executable, "-m", "replay", "map", str(path), "--out", str(out), "--json"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert '"sure": true' in done.stdout
    assert load_map(out).numbers == (1, 2, 3, 4, 5, 6, 7)


def test_real_logs() -> None:
    cobot = load_map(propose_map(whole("cobotops", "dataset_02052023.xlsx")).toml)
    assert (len(cobot.joints), cobot.first_number) == (6, 0)
    assert cobot.joint["temperature"].patterns == ("Temperature_J{n}", "Temperature_T{n}")
    mill = load_map(propose_map(whole("cnc_mill", "experiment_01.csv")).toml)
    assert mill.joints[:3] == ("X", "Y", "Z")
    assert mill.joint["current"].patterns == ("{name}1_CurrentFeedback",)
    proposal = propose_map(whole("nab", "machine_temperature_system_failure.csv"))
    assert len(proposal.missing) == 2
