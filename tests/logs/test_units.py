"""Units are proved or asked for: no reading is taken where another one is possible."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from replay.archive import open_archive
from replay.cleaning import ingest
from replay.errors import LogMapError
from replay.logs import load_map, propose_map
from replay.logs.proposing.guesses import current_unit, temperature_unit
from replay.logs.proposing.proposal import SURE, Proposal
from replay.logs.proposing.unit_evidence import rate_proofs
from tests.cleaning.logs import MAP, instants, only, samples, table, take
from tests.real_logs import whole

ROWS = 600
RAD = math.pi / 180


def motion(n: int, amplitude_deg: float = 40.0) -> tuple[np.ndarray, np.ndarray]:
    """Return an angle and its rate in degrees, 10 Hz, with an encoder's scatter."""
    t = np.arange(ROWS) / 10
    rng = np.random.default_rng(n)
    angle = amplitude_deg * np.sin(0.07 * t + n) + rng.normal(0, 1e-3, ROWS)
    return angle, amplitude_deg * 0.07 * np.cos(0.07 * t + n) + rng.normal(0, 1e-2, ROWS)


def write(folder: Path, angle: float, rate: float, joints: int = 6, **more: object) -> Path:
    """Write angles and rates times these factors, and currents, without units."""
    columns: dict[str, object] = {"time": instants(ROWS).dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ")}
    rng = np.random.default_rng(9)
    for n in range(joints):
        a, r = motion(n, more.pop("amplitude", 40.0) if n == -1 else 40.0)  # type: ignore[arg-type]
        columns |= {f"q{n}": a * angle, f"qd{n}": r * rate, f"i{n}": rng.normal(1, 0.2, ROWS)}
    path = folder / "log.csv"
    pl.DataFrame(columns | more).write_csv(path)
    return path


def line(proposal: Proposal, table: str, key: str) -> tuple[str, float]:
    """Return a line's value and confidence."""
    found = next(x for x in proposal.lines if (x.table, x.key) == (table, key))
    return found.value, found.confidence


def test_radians_without_a_unit_are_a_question(tmp_path: Path) -> None:
    path = write(tmp_path, RAD, RAD)
    proposal = propose_map(path)
    assert line(proposal, "joint.angle", "unit")[1] < SURE
    assert line(proposal, "joint.rate", "unit")[1] < SURE
    result = ingest(open_archive(tmp_path / "a", create=True), path)
    assert not result.sessions
    assert "[joint.angle] unit" in result.refused[0].reason
    assert "degrees or radians" in result.refused[0].reason


def test_small_degrees_are_the_same_question(tmp_path: Path) -> None:
    # the very numbers of the log above, and every one of them in degrees
    assert not propose_map(write(tmp_path, RAD, RAD)).sure


def test_degrees_beyond_two_turns_of_radians_are_proved(tmp_path: Path) -> None:
    proposal = propose_map(write(tmp_path, 1.0, 1.0))
    assert line(proposal, "joint.angle", "unit") == ('"deg"', pytest.approx(0.88, abs=0.05))
    assert line(proposal, "joint.rate", "unit")[0] == '"deg/s"'


def test_the_slope_tells_units_that_differ(tmp_path: Path) -> None:
    proposal = propose_map(write(tmp_path, 1.0, RAD))
    assert line(proposal, "joint.angle", "unit")[0] == '"deg"'
    value, sure = line(proposal, "joint.rate", "unit")
    assert (value, sure >= 0.8) == ('"rad/s"', True)


@pytest.mark.parametrize(("unit", "turn"), [("deg", 360.0), ("rad", 2 * math.pi)])
def test_an_encoders_step_proves_the_unit(tmp_path: Path, unit: str, turn: float) -> None:
    path = write(tmp_path, 0.08 if unit == "deg" else RAD, 0.08 if unit == "deg" else RAD)
    step = turn / 2**17
    frame = pl.read_csv(path).with_columns((pl.col("^q\\d$") / step).round() * step)
    frame.write_csv(path)
    value, sure = line(propose_map(path), "joint.angle", "unit")
    assert (value, sure >= 0.8) == (f'"{unit}"', True)


def test_a_setting_that_is_round_in_degrees_proves_radians(tmp_path: Path) -> None:
    speed = np.where(np.arange(ROWS) % 100 < 40, math.radians(30), 0.0)
    path = write(tmp_path, RAD, RAD, **{f"target_qd{n}": speed for n in range(6)})
    value, sure = line(propose_map(path), "joint.angle", "unit")
    assert (value, sure >= 0.8) == ('"rad"', True)


def test_a_commanded_angle_that_states_its_unit_speaks_for_the_measured(tmp_path: Path) -> None:
    more = {f"target_q{n}_rad": np.round(motion(n)[0] * RAD, 3) for n in range(6)}
    value, sure = line(propose_map(write(tmp_path, RAD, RAD, **more)), "joint.angle", "unit")
    assert (value, sure >= SURE) == ('"rad"', True)


def test_joints_counted_from_0_beside_joints_counted_from_1_are_a_question(tmp_path: Path) -> None:
    path = write(tmp_path, 1.0, 1.0, joints=3)
    frame = pl.read_csv(path).rename({f"i{n}": f"x{n + 1}" for n in range(3)})
    frame.rename({f"x{n}": f"i{n}" for n in (1, 2, 3)}).write_csv(path)
    proposal = propose_map(path)
    assert not proposal.sure
    doubt = next(d for d in proposal.doubts if d.table == "log")
    assert "angle 0 to 2" in doubt.why
    assert "current 1 to 3" in doubt.why


def test_numbers_with_holes_are_said(tmp_path: Path) -> None:
    path = write(tmp_path, 1.0, 1.0, joints=4)
    pl.read_csv(path).drop("q2", "qd2", "i2").write_csv(path)
    proposal = propose_map(path)
    joints = next(x for x in proposal.lines if x.key == "joints")
    assert joints.value == '["J0", "J1", "J3"]'
    assert "no 2" in joints.why
    log_map = proposal.log_map()
    assert log_map.joint["angle"].columns == ("q0", "q1", "q3")


@pytest.mark.parametrize("odd", [0, 1, 2])
def test_one_joint_in_another_unit_is_read_in_its_own(tmp_path: Path, odd: int) -> None:
    path = write(tmp_path, 1.0, 1.0, joints=3)
    frame = pl.read_csv(path)
    truth = frame[f"q{odd}"].to_list()
    frame = frame.with_columns(pl.col(f"q{odd}") * RAD)
    names = {f"q{n}": f"q{n}_rad" if n == odd else f"q{n}_deg" for n in range(3)}
    names |= {f"qd{n}": f"qd{n}_deg_s" for n in range(3)}
    frame.rename(names).write_csv(path)
    proposal = propose_map(path)
    value, _ = line(proposal, "joint.angle", "unit")
    assert json.loads(value) == ["rad" if n == odd else "deg" for n in range(3)]
    archive, result = take(tmp_path, path, log_map=proposal.toml)
    assert samples(archive, only(result))[f"J{odd}.angle_deg"].to_list() == pytest.approx(truth)


def test_one_joint_in_another_unit_without_a_word_is_found(tmp_path: Path) -> None:
    path = write(tmp_path, 1.0, 1.0, joints=4)
    pl.read_csv(path).with_columns(pl.col("q2") * RAD).write_csv(path)
    proposal = propose_map(path)
    assert not proposal.sure
    assert any("'q2'" in d.why for d in proposal.doubts)


def test_one_column_for_two_channels_is_refused() -> None:
    from replay.logs.bind import bind

    log_map = load_map(MAP.replace('column = "a{n}"', 'columns = ["a1", "a1"]'))
    with pytest.raises(LogMapError, match="both read from column 'a1'"):
        bind(log_map, table(3).columns, "x")


def test_the_command_is_not_taken_for_the_measurement(tmp_path: Path) -> None:
    columns: dict[str, object] = {"time": instants(ROWS).dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ")}
    rng = np.random.default_rng(1)
    for n in (1, 2, 3):
        command = np.round(60 * np.sign(np.sin(0.05 * np.arange(ROWS) + n)), 0)
        command = np.cumsum(np.where(np.arange(ROWS) % 90 < 45, command / 60, 0.0))
        follows = np.concatenate([np.full(4, command[0]), command[:-4]])
        columns |= {
            f"pos_a{n}_deg": command,
            f"pos_b{n}_deg": follows + rng.normal(0, 0.01, ROWS),
            f"i{n}_A": rng.normal(1, 0.2, ROWS),
        }
    pl.DataFrame(columns).write_csv(tmp_path / "log.csv")
    log_map = propose_map(tmp_path / "log.csv").log_map()
    assert log_map.joint["angle"].patterns == ("pos_b{n}_deg",)
    assert log_map.joint["commanded_angle"].patterns == ("pos_a{n}_deg",)


@pytest.mark.parametrize(("one", "two"), [("bc", "bs"), ("brk_a", "brk_b")])
def test_a_brake_command_is_told_from_the_state(tmp_path: Path, one: str, two: str) -> None:
    path = write(tmp_path, 1.0, 1.0, joints=2)
    k = np.arange(ROWS)
    frame = pl.read_csv(path).with_columns(
        **{f"{one}{n}": pl.Series(np.where((k + 40 * n) % 200 < 80, "ENGAGE", "RELEASE"))
           for n in range(2)},
        **{f"{two}{n}": pl.Series(np.where((k - 3 + 40 * n) % 200 < 80, "ENGAGED", "RELEASED"))
           for n in range(2)},
    )  # fmt: skip
    frame.write_csv(path)
    log_map = propose_map(path).log_map()
    assert log_map.joint["brake_command"].patterns == (one + "{n}",)
    assert log_map.joint["brake_state"].patterns == (two + "{n}",)


def test_every_column_left_out_is_named(tmp_path: Path) -> None:
    frame = table(60).with_columns(
        **{f"reg_{k}": pl.lit(0) for k in range(5)}, drive_phase_b=pl.lit(1.5)
    )
    frame.write_csv(tmp_path / "log.csv")
    assert set(propose_map(tmp_path / "log.csv").unused) >= {"reg_0", "reg_4", "drive_phase_b"}
    session = only(take(tmp_path, tmp_path / "log.csv")[1])
    told = next(n for n in session.quality if n.kind == "unused")
    assert told.count == 6
    assert "reg_0 to reg_4 (5)" in told.detail
    assert "drive_phase_b" in told.detail


@pytest.mark.parametrize(
    ("angle", "current", "command"),
    [
        ("Gelenkwinkel {} [Grad]", "Motorstrom {} [A]", "Sollwinkel {} [Grad]"),
        ("angle_axe_{}_deg", "courant_axe_{}_A", "consigne_angle_axe_{}_deg"),
        ("ángulo_eje_{}_deg", "corriente_eje_{}_A", "consigna_ángulo_eje_{}_deg"),
        ("posizione_giunto_{}_deg", "corrente_giunto_{}_A", "riferimento_posizione_{}_deg"),
    ],
)
def test_words_of_other_languages(tmp_path: Path, angle: str, current: str, command: str) -> None:
    columns: dict[str, object] = {"Zeit": instants(ROWS).dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ")}
    for n in (1, 2, 3):
        columns |= {
            angle.format(n): motion(n)[0],
            command.format(n): np.round(motion(n)[0], 1),
            current.format(n): np.random.default_rng(n).normal(1, 0.2, ROWS),
        }
    pl.DataFrame(columns).write_csv(tmp_path / "log.csv")
    proposal = propose_map(tmp_path / "log.csv")
    assert proposal.sure, proposal.toml
    joint = proposal.log_map().joint
    assert joint["angle"].patterns == (angle.replace("{}", "{n}"),)
    assert joint["commanded_angle"].patterns == (command.replace("{}", "{n}"),)


def test_a_controllers_export_is_taken_whole_as_proposed(tmp_path: Path) -> None:
    export = whole("controller_export")
    log_map = propose_map(export / "L0L1.csv").toml
    archive, result = take(tmp_path, *sorted(export.glob("L?L?.csv")), log_map=log_map)
    assert not result.refused
    assert sum(s.rows for s in result.sessions) == 225
    first = samples(archive, result.sessions[0])
    assert first["J0.angle_deg"][0] == pytest.approx(math.degrees(-2.130379502), abs=1e-9)
    assert first["J5.rate_cmd_deg_s"][0] == pytest.approx(math.degrees(-0.000870831), abs=1e-9)
    for name in ("WEIGHTS-PLOT", "VELOCITY-PLOT"):
        assert not take(tmp_path, export / f"{name}.csv", log_map=None)[1].sessions


def test_a_joint_that_one_quantity_lacks_does_not_shift_the_others(tmp_path: Path) -> None:
    path = write(tmp_path, 1.0, 1.0, joints=4)
    frame = pl.read_csv(path)
    frame = frame.with_columns(qd2=pl.col("qd2") * 1.0).drop("q0")  # joint 0 has a rate alone
    frame.write_csv(path)
    proposal = propose_map(path)
    assert not any("stands otherwise" in x.why for x in proposal.lines)
    assert line(proposal, "joint.rate", "unit")[0] == '"deg/s"'


def test_a_log_of_one_joint_needs_no_number(tmp_path: Path) -> None:
    angle, rate = motion(1)
    columns = {
        "t_us": np.arange(ROWS) * 100_000,
        "6064h_position_actual_mdeg": np.round(angle * 1000),
        "606Ch_velocity_actual_mdeg_s": np.round(rate * 1000),
        "6078h_current_actual_mA": np.round(500 + 100 * np.sin(np.arange(ROWS))),
    }
    pl.DataFrame(columns).write_csv(tmp_path / "log.csv")
    proposal = propose_map(tmp_path / "log.csv")
    log_map = load_map(proposal.toml.replace("1970-01-01T00:00:00Z", "2031-03-01T00:00:00Z"))
    archive, result = take(tmp_path, tmp_path / "log.csv", log_map=log_map)
    stored = samples(archive, only(result))
    assert stored["J1.angle_deg"].to_list() == pytest.approx(angle.tolist(), abs=6e-4)
    assert stored["J1.rate_deg_s"].to_list() == pytest.approx(rate.tolist(), abs=6e-4)


def test_values_of_numbers_and_switches_in_one_key_are_read(tmp_path: Path) -> None:
    with (tmp_path / "log.ndjson").open("w") as sink:
        for k in range(60):
            at = f"2031-03-01T00:00:{k:02d}Z"
            for name, value in (("j1.deg", 0.5 * k), ("j1.cur", 1.25), ("j1.brake", k < 30)):
                sink.write(json.dumps({"t": at, "what": name, "value": value}) + "\n")
    text = (
        '[log]\nlayout = "long"\njoints = 1\n[long]\ntime = "t"\nchannel = "what"\n'
        'value = "value"\n[time]\ncolumn = "t"\n[joint.angle]\ncolumn = "j{n}.deg"\n'
        'unit = "deg"\n[joint.current]\ncolumn = "j{n}.cur"\nunit = "A"\n'
        '[joint.brake_state]\ncolumn = "j{n}.brake"\n'
    )
    archive, result = take(tmp_path, tmp_path / "log.ndjson", log_map=text)
    stored = samples(archive, only(result))
    assert stored["J1.angle_deg"].to_list() == [0.5 * k for k in range(60)]
    assert stored["J1.brake_engaged"].to_list() == [k < 30 for k in range(60)]


def test_how_far_values_reach_is_told_in_the_unit_that_they_are_taken_for():
    wave = np.sin(np.arange(400) / 20)
    assert current_unit([4.1 * wave]).why == "values reach 4.1 A"
    assert current_unit([300.5 * wave]).why == "values reach 300 mA: as A too large for a joint"
    assert temperature_unit([21.0 + 0 * wave]).why == "values lie about 21 degC"
    assert temperature_unit([294.0 + 0 * wave]).why == "values lie about 294 K"
    assert "rad/s" in rate_proofs([88.1 * wave])[0].why
