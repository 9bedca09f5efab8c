"""Logs as open controllers, drives, buses and recorders export them, each in a layout of its own.

Written without having read what proposes a map. ``lines`` are what a person who knows the
recorder would write; a unit that the log does not state is left out where nobody could prove it,
and ``None`` says that any value is wrong (encoder counts are no angle).
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

from tests.start import HOUR_NS, START_NS

BEGIN_NS = START_NS + 8 * HOUR_NS
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Layout:
    """A log and the lines that its map should have."""

    name: str
    path: Path
    lines: dict[tuple[str, str], object]


@dataclass(frozen=True)
class Moves:
    """What some joints did: arrays of shape (joints, rows), in deg, deg/s, A and degC."""

    t_s: Floats
    angle: Floats
    commanded: Floats
    rate: Floats
    current: Floats
    target: Floats
    temperature: Floats
    braked: npt.NDArray[np.bool_]
    ordered: npt.NDArray[np.bool_]


def moves(seed: int, joints: int, rows: int, hz: float) -> Moves:
    """Return point-to-point moves with rests, brakes closed in the long ones."""
    rng = np.random.default_rng(seed)
    t = np.arange(rows) / hz
    shape = (joints, rows)
    commanded = np.zeros(shape)
    braked, ordered = np.ones(shape, bool), np.ones(shape, bool)
    for n in range(joints):
        at, where = 2.0 + 0.4 * n, rng.uniform(-40, 40)
        commanded[n] = where
        while at < t[-1] - 1:
            last = rng.uniform(2, 5)
            target = float(np.clip(where + rng.uniform(-60, 60), -150, 150))
            s = np.clip((t - at) / last, 0, 1)
            commanded[n] = np.where(
                t >= at, where + (target - where) * s**3 * (10 - 15 * s + 6 * s * s), commanded[n]
            )
            busy = (t > at - 0.5) & (t < at + last + 0.6)
            braked[n] &= ~busy
            ordered[n] &= ~((t > at - 0.7) & (t < at + last + 0.4))
            where, at = target, at + last + rng.uniform(0.5, 4)
    lag = 0.04
    angle = np.array([np.interp(t - lag, t, c) for c in commanded])
    rate = np.gradient(angle, 1 / hz, axis=1)
    accel = np.gradient(rate, 1 / hz, axis=1)
    weight = 0.9 * np.cos(np.radians(angle))
    target = 0.7 * np.tanh(rate / 0.5) + 0.02 * rate + 0.01 * accel + weight
    target = np.where(braked, 0.0, target)
    return Moves(
        t, angle + rng.normal(0, 2e-3, shape), commanded, rate + rng.normal(0, 0.03, shape),
        target + rng.normal(0, 0.04, shape), target,
        26 + np.arange(joints)[:, None] + 0.03 * t + rng.normal(0, 0.02, shape), braked, ordered,
    )  # fmt: skip


def _iso(ns: float) -> str:
    return str(np.datetime64(int(ns), "ns"))[:23]


def _stamps(m: Moves) -> list[int]:
    return [BEGIN_NS + round(t * 1e9) for t in m.t_s]


def _of(pattern: str, keys: tuple[object, ...]) -> tuple[str, ...]:
    return tuple(pattern.format(k) for k in keys)


def motor_controller(folder: Path) -> Layout:
    """Two axes of an open motor controller: its property tree as columns, turns throughout."""
    m = moves(11, 2, 900, 50)
    columns: dict[str, object] = {"timestamp_us": np.round(m.t_s * 1e6 + 91_000_000).astype(int)}
    for n in (0, 1):
        a = f"axis{n}"
        columns[f"{a}.encoder.pos_estimate"] = np.round(m.angle[n] / 360, 6)
        columns[f"{a}.encoder.vel_estimate"] = np.round(m.rate[n] / 360, 6)
        columns[f"{a}.controller.input_pos"] = np.round(m.commanded[n] / 360, 6)
        columns[f"{a}.motor.current_control.Iq_measured"] = np.round(m.current[n], 4)
        columns[f"{a}.motor.current_control.Iq_setpoint"] = np.round(m.target[n], 4)
        columns[f"{a}.motor.fet_thermistor.temperature"] = np.round(m.temperature[n] + 9, 2)
        columns[f"{a}.current_state"] = np.where(m.braked[n], 1, 8)
        columns[f"{a}.error"] = np.zeros(len(m.t_s), int)
    columns["vbus_voltage"] = np.round(24 - np.abs(m.current).sum(axis=0) * 0.02, 3)
    path = folder / "axes_dump.csv"
    pl.DataFrame(columns).write_csv(path)
    at = (0, 1)
    return Layout("motor-controller", path, {
        ("time", "column"): "timestamp_us", ("time", "format"): "microseconds",
        ("joint.angle", "column"): _of("axis{}.encoder.pos_estimate", at),
        ("joint.rate", "column"): _of("axis{}.encoder.vel_estimate", at),
        ("joint.commanded_angle", "column"): _of("axis{}.controller.input_pos", at),
        ("joint.current", "column"): _of("axis{}.motor.current_control.Iq_measured", at),
        ("joint.current", "unit"): "A",
        ("joint.target_current", "column"): _of("axis{}.motor.current_control.Iq_setpoint", at),
        ("joint.target_current", "unit"): "A",
        ("joint.temperature", "column"): _of("axis{}.motor.fet_thermistor.temperature", at),
        ("joint.temperature", "unit"): "degC",
    })  # fmt: skip


def joint_state_messages(folder: Path) -> Layout:
    """Flattened joint-state messages of a message bus: stamp in two columns, names as cells."""
    m = moves(12, 6, 700, 50)
    names = ("pan", "lift", "elbow", "wrist_1", "wrist_2", "wrist_3")
    stamps = _stamps(m)
    columns: dict[str, object] = {
        "header.stamp.sec": [n // 10**9 for n in stamps],
        "header.stamp.nanosec": [n % 10**9 for n in stamps],
        "header.frame_id": ["base_link"] * len(stamps),
    }
    for n, name in enumerate(names):
        columns[f"name[{n}]"] = [f"{name}_joint"] * len(stamps)
    for n in range(6):
        columns[f"position[{n}]"] = np.radians(m.angle[n])
    for n in range(6):
        columns[f"velocity[{n}]"] = np.radians(m.rate[n])
    for n in range(6):
        columns[f"effort[{n}]"] = 11.0 * m.current[n]
    for n in range(6):
        columns[f"motor_currents[{n}]"] = m.current[n]
    path = folder / "joint_states.csv"
    pl.DataFrame(columns).write_csv(path)
    at = tuple(range(6))
    return Layout("joint-state-messages", path, {
        ("time", "column"): "header.stamp.sec", ("time", "format"): "epoch-s",
        ("time", "nanosecond"): "header.stamp.nanosec",
        ("joint.angle", "column"): _of("position[{}]", at), ("joint.angle", "unit"): "rad",
        ("joint.rate", "column"): _of("velocity[{}]", at), ("joint.rate", "unit"): "rad/s",
        ("joint.current", "column"): _of("motor_currents[{}]", at), ("joint.current", "unit"): "A",
        ("joint.torque", "column"): _of("effort[{}]", at), ("joint.torque", "unit"): "N m",
    })  # fmt: skip


def telemetry_messages(folder: Path, apart_ms: int = 0) -> Layout:
    """Telemetry of a broker, one joint a message: the joint's number stands in a field.

    ``apart_ms`` is how much later each joint's message is stamped than the one before.
    """
    m = moves(13, 3, 400, 20)
    path = folder / "telemetry.ndjson"
    with path.open("w") as sink:
        for k, ns in enumerate(_stamps(m)):
            for n in range(3):
                sink.write(json.dumps({
                    "ts": ns // 10**6 + n * apart_ms, "joint": n + 1,
                    "angle_deg": round(float(m.angle[n, k]), 4),
                    "speed_deg_s": round(float(m.rate[n, k]), 3),
                    "current_ma": round(float(m.current[n, k]) * 1000),
                    "temp_c": round(float(m.temperature[n, k]), 1),
                    "brake": "ENGAGED" if m.braked[n, k] else "RELEASED",
                }) + "\n")  # fmt: skip
    at = (1, 2, 3)
    return Layout("telemetry-a-joint-a-message", path, {
        ("time", "column"): "ts", ("time", "format"): "epoch-ms",
        ("log", "joints"): 3, ("log", "joint_column"): "joint",
        ("joint.angle", "column"): _of("{}.angle_deg", at), ("joint.angle", "unit"): "deg",
        ("joint.rate", "column"): _of("{}.speed_deg_s", at), ("joint.rate", "unit"): "deg/s",
        ("joint.current", "column"): _of("{}.current_ma", at), ("joint.current", "unit"): "mA",
        ("joint.temperature", "column"): _of("{}.temp_c", at),
        ("joint.temperature", "unit"): "degC",
        ("joint.brake_state", "column"): _of("{}.brake", at),
    })  # fmt: skip


def field_bus_drives(folder: Path) -> Layout:
    """Drives on a field bus by their objects' names: increments, rpm, per mille of rated torque."""
    m = moves(14, 3, 800, 40)
    at = (1, 2, 3)
    columns: dict[str, object] = {"Timestamp [ms]": np.round(m.t_s * 1000).astype(int)}
    for n, k in enumerate(at):
        node = f"Node{k}"
        columns[f"{node}.Statusword"] = np.where(m.braked[n], 0x0231, 0x0637)
        columns[f"{node}.Position actual value [inc]"] = np.round(
            m.angle[n] / 360 * 131_072 * 100
        ).astype(int)
        columns[f"{node}.Position demand value [inc]"] = np.round(
            m.commanded[n] / 360 * 131_072 * 100
        ).astype(int)
        columns[f"{node}.Velocity actual value [rpm]"] = np.round(m.rate[n] / 6, 4)
        columns[f"{node}.Torque actual value [permille]"] = np.round(m.current[n] * 210)
        columns[f"{node}.Current actual value [mA]"] = np.round(m.current[n] * 1000)
        columns[f"{node}.Current demand value [mA]"] = np.round(m.target[n] * 1000)
    path = folder / "drives.csv"
    pl.DataFrame(columns).write_csv(path, separator=";")
    return Layout("field-bus-drives", path, {
        ("time", "column"): "Timestamp [ms]", ("time", "format"): "milliseconds",
        ("joint.angle", "unit"): None, ("joint.commanded_angle", "unit"): None,
        ("joint.torque", "unit"): None,
        ("joint.rate", "column"): _of("Node{}.Velocity actual value [rpm]", at),
        ("joint.rate", "unit"): "rpm",
        ("joint.current", "column"): _of("Node{}.Current actual value [mA]", at),
        ("joint.current", "unit"): "mA",
        ("joint.target_current", "column"): _of("Node{}.Current demand value [mA]", at),
        ("joint.target_current", "unit"): "mA",
    })  # fmt: skip


def controller_trace(folder: Path) -> Layout:
    """A programmable controller's trace, German: title lines, semicolons, decimal commas."""
    m = moves(15, 4, 600, 25)
    at = (1, 2, 3, 4)
    columns: dict[str, object] = {"Zeit [ms]": [str(round(t * 1000)) for t in m.t_s]}
    for n, k in enumerate(at):
        a = f"Achse{k}"
        for name, values, digits in (
            ("Istposition [°]", m.angle[n], 3), ("Sollposition [°]", m.commanded[n], 3),
            ("Istgeschwindigkeit [°/s]", m.rate[n], 2), ("Iststrom [A]", m.current[n], 3),
            ("Sollstrom [A]", m.target[n], 3), ("Temperatur [°C]", m.temperature[n], 1),
        ):  # fmt: skip
            columns[f"{a}.{name}"] = [f"{v:.{digits}f}".replace(".", ",") for v in values]
        columns[f"{a}.Bremse_geschlossen"] = np.where(m.braked[n], "TRUE", "FALSE")
        columns[f"{a}.Bremse_schliessen"] = np.where(m.ordered[n], "TRUE", "FALSE")
    path = folder / "Aufzeichnung.csv"
    path.write_text(
        "Aufzeichnung;Arm Halle 2\nBeginn;01.03.2031 08:00:00\n\n"
        + pl.DataFrame(columns).write_csv(separator=";"),
        encoding="cp1252",
    )
    return Layout("controller-trace-german", path, {
        ("time", "column"): "Zeit [ms]", ("time", "format"): "milliseconds",
        ("joint.angle", "column"): _of("Achse{}.Istposition [°]", at),
        ("joint.angle", "unit"): "deg",
        ("joint.commanded_angle", "column"): _of("Achse{}.Sollposition [°]", at),
        ("joint.commanded_angle", "unit"): "deg",
        ("joint.rate", "column"): _of("Achse{}.Istgeschwindigkeit [°/s]", at),
        ("joint.rate", "unit"): "deg/s",
        ("joint.current", "column"): _of("Achse{}.Iststrom [A]", at),
        ("joint.current", "unit"): "A",
        ("joint.target_current", "column"): _of("Achse{}.Sollstrom [A]", at),
        ("joint.target_current", "unit"): "A",
        ("joint.temperature", "column"): _of("Achse{}.Temperatur [°C]", at),
        ("joint.temperature", "unit"): "degC",
        ("joint.brake_state", "column"): _of("Achse{}.Bremse_geschlossen", at),
        ("joint.brake_command", "column"): _of("Achse{}.Bremse_schliessen", at),
    })  # fmt: skip


def numerical_export(folder: Path) -> Layout:
    """Arrays of a numerical program: `q(1)`, `dq(1)`, desired ones with `_d`, tab-separated."""
    m = moves(16, 5, 500, 25)
    at = (1, 2, 3, 4, 5)
    columns: dict[str, object] = {"t": m.t_s}
    for name, values in (
        ("q", np.radians(m.angle)), ("q_d", np.radians(m.commanded)), ("dq", np.radians(m.rate)),
        ("tau", 9.0 * m.current), ("i_m", m.current),
    ):  # fmt: skip
        for n, k in enumerate(at):
            columns[f"{name}({k})"] = np.round(values[n], 6)
    path = folder / "out.txt"
    pl.DataFrame(columns).write_csv(path, separator="\t")
    return Layout("numerical-export", path, {
        ("time", "column"): "t", ("time", "format"): "seconds",
        ("joint.angle", "column"): _of("q({})", at), ("joint.angle", "unit"): "rad",
        ("joint.commanded_angle", "column"): _of("q_d({})", at),
        ("joint.commanded_angle", "unit"): "rad",
        ("joint.rate", "column"): _of("dq({})", at), ("joint.rate", "unit"): "rad/s",
        ("joint.torque", "column"): _of("tau({})", at), ("joint.torque", "unit"): "N m",
        ("joint.current", "column"): _of("i_m({})", at), ("joint.current", "unit"): "A",
    })  # fmt: skip


def units_in_a_row(folder: Path) -> Layout:
    """A data logger with a row of units below the row of names."""
    m = moves(17, 3, 500, 25)
    at = (1, 2, 3)
    names, units = ["Date/Time"], [""]
    cells: list[list[str]] = [[_iso(n).replace("T", " ") for n in _stamps(m)]]
    for n, k in enumerate(at):
        for name, unit, values, digits in (
            ("POS", "deg", m.angle[n], 3), ("SPD", "deg/s", m.rate[n], 2),
            ("CUR", "A", m.current[n], 3), ("TMP", "degC", m.temperature[n], 1),
        ):  # fmt: skip
            names.append(f"AX{k}_{name}")
            units.append(unit)
            cells.append([f"{v:.{digits}f}" for v in values])
    rows = [",".join(names), ",".join(units), *(",".join(r) for r in zip(*cells, strict=True))]
    path = folder / "logger.csv"
    path.write_text("\r\n".join(rows) + "\r\n")
    return Layout("units-in-a-row", path, {
        ("time", "column"): "Date/Time", ("time", "format"): "iso8601",
        ("joint.angle", "column"): _of("AX{}_POS", at), ("joint.angle", "unit"): "deg",
        ("joint.rate", "column"): _of("AX{}_SPD", at), ("joint.rate", "unit"): "deg/s",
        ("joint.current", "column"): _of("AX{}_CUR", at), ("joint.current", "unit"): "A",
        ("joint.temperature", "column"): _of("AX{}_TMP", at),
        ("joint.temperature", "unit"): "degC",
    })  # fmt: skip


def lists_in_a_table(folder: Path) -> Layout:
    """A recorder's Parquet table with one list a quantity and a time of nanoseconds."""
    m = moves(18, 7, 600, 50)
    path = folder / "recording.parquet"
    pl.DataFrame({
        "log_time": pl.Series(_stamps(m)).cast(pl.Datetime("ns", "UTC")),
        "joint_angles_rad": np.radians(m.angle).T.tolist(),
        "joint_speeds_rad_s": np.radians(m.rate).T.tolist(),
        "joint_currents_A": m.current.T.tolist(),
        "joint_temps_C": m.temperature.T.tolist(),
        "brakes_engaged": m.braked.T.tolist(),
        "payload_mass_kg": np.where(m.t_s > 8, 12.5, 0.0),
        "sequence": np.arange(len(m.t_s)),
    }).write_parquet(path)  # fmt: skip
    at = tuple(range(7))
    return Layout("lists-in-a-table", path, {
        ("time", "column"): "log_time",
        ("joint.angle", "column"): _of("joint_angles_rad.{}", at), ("joint.angle", "unit"): "rad",
        ("joint.rate", "column"): _of("joint_speeds_rad_s.{}", at),
        ("joint.rate", "unit"): "rad/s",
        ("joint.current", "column"): _of("joint_currents_A.{}", at),
        ("joint.current", "unit"): "A",
        ("joint.temperature", "column"): _of("joint_temps_C.{}", at),
        ("joint.temperature", "unit"): "degC",
        ("joint.brake_state", "column"): _of("brakes_engaged.{}", at),
        ("session.payload", "column"): "payload_mass_kg", ("session.payload", "unit"): "kg",
    })  # fmt: skip


def serial_servos(folder: Path) -> Layout:
    """Servos on a serial bus: positions in ticks of 4,096 a turn, loads in parts of a thousand."""
    m = moves(19, 4, 600, 30)
    at = (1, 2, 3, 4)
    columns: dict[str, object] = {"millis": np.round(m.t_s * 1000 + 5120).astype(int)}
    for n, k in enumerate(at):
        ticks = 2048 + m.angle[n] / 360 * 4096
        columns[f"ID{k}_PresentPosition"] = np.round(ticks).astype(int)
        columns[f"ID{k}_GoalPosition"] = np.round(2048 + m.commanded[n] / 360 * 4096).astype(int)
        columns[f"ID{k}_PresentLoad"] = np.round(m.current[n] * 150).astype(int)
        columns[f"ID{k}_PresentCurrent_mA"] = np.round(m.current[n] * 1000 / 6.5) * 6.5
        columns[f"ID{k}_PresentTemperature"] = np.round(m.temperature[n]).astype(int)
        columns[f"ID{k}_PresentVoltage"] = np.round(11.9 - 0.1 * np.abs(m.current[n]), 1)
    path = folder / "servo_bus.csv"
    pl.DataFrame(columns).write_csv(path)
    return Layout("serial-servos", path, {
        ("time", "column"): "millis", ("time", "format"): "milliseconds",
        ("joint.angle", "unit"): None, ("joint.commanded_angle", "unit"): None,
        ("joint.current", "column"): _of("ID{}_PresentCurrent_mA", at),
        ("joint.current", "unit"): "mA",
        ("joint.temperature", "column"): _of("ID{}_PresentTemperature", at),
        ("joint.temperature", "unit"): "degC",
    })  # fmt: skip


def mnemonics(folder: Path) -> Layout:
    """Telemetry by mnemonics, named joints, instants by day of year, brakes as words."""
    m = moves(20, 5, 700, 10)
    keys = ("SHY", "SHP", "EP", "WP", "WY")
    columns: dict[str, object] = {"SCET": [
        f"{_iso(n)[:4]}-{60:03d}T{_iso(n)[11:]}" for n in _stamps(m)
    ]}  # fmt: skip
    for n, k in enumerate(keys):
        columns[f"{k}_POS_DEG"] = np.round(m.angle[n], 3)
        columns[f"{k}_POS_CMD_DEG"] = np.round(m.commanded[n], 3)
        columns[f"{k}_RATE_DPS"] = np.round(m.rate[n], 3)
        columns[f"{k}_MTR_CUR_AMP"] = np.round(m.current[n], 3)
        columns[f"{k}_MTR_TEMP_C"] = np.round(m.temperature[n], 1)
        columns[f"{k}_BRK_STS"] = np.where(m.braked[n], "ENGD", "RLSD")
        columns[f"{k}_BRK_CMD"] = np.where(m.ordered[n], "ENG", "REL")
    columns["FRAME_CNT"] = np.arange(len(m.t_s)) % 256
    path = folder / "tlm.csv"
    pl.DataFrame(columns).write_csv(path)
    return Layout("mnemonics", path, {
        ("time", "column"): "SCET", ("time", "format"): "day-of-year",
        ("joint.angle", "column"): _of("{}_POS_DEG", keys), ("joint.angle", "unit"): "deg",
        ("joint.commanded_angle", "column"): _of("{}_POS_CMD_DEG", keys),
        ("joint.commanded_angle", "unit"): "deg",
        ("joint.rate", "column"): _of("{}_RATE_DPS", keys), ("joint.rate", "unit"): "deg/s",
        ("joint.current", "column"): _of("{}_MTR_CUR_AMP", keys), ("joint.current", "unit"): "A",
        ("joint.temperature", "column"): _of("{}_MTR_TEMP_C", keys),
        ("joint.temperature", "unit"): "degC",
        ("joint.brake_state", "column"): _of("{}_BRK_STS", keys),
        ("joint.brake_command", "column"): _of("{}_BRK_CMD", keys),
    })  # fmt: skip


def tagged_points(folder: Path) -> Layout:
    """A time-series database's export: one value a row, the joint and the field in two columns."""
    m = moves(21, 3, 300, 10)
    path = folder / "points.csv"
    rows = ["_time,_measurement,joint,_field,_value"]
    for k, ns in enumerate(_stamps(m)):
        for n in range(3):
            for field, value in (
                ("angle_deg", m.angle[n, k]), ("speed_deg_s", m.rate[n, k]),
                ("current_A", m.current[n, k]), ("temp_degC", m.temperature[n, k]),
            ):  # fmt: skip
                rows.append(f"{_iso(ns)}Z,arm,J{n + 1},{field},{value:.4f}")
    path.write_text("\n".join(rows) + "\n")
    at = (1, 2, 3)
    return Layout("tagged-points", path, {
        ("log", "joints"): 3, ("long", "channel"): ["joint", "_field"],
        ("joint.angle", "column"): _of("J{}.angle_deg", at),
        ("joint.rate", "column"): _of("J{}.speed_deg_s", at),
        ("joint.current", "column"): _of("J{}.current_A", at),
        ("joint.temperature", "column"): _of("J{}.temp_degC", at),
        ("time", "format"): "iso8601", ("long", "time"): "_time", ("long", "value"): "_value",
        ("joint.angle", "unit"): "deg", ("joint.rate", "unit"): "deg/s",
        ("joint.current", "unit"): "A", ("joint.temperature", "unit"): "degC",
    })  # fmt: skip


def panel_table(folder: Path) -> Layout:
    """A teach panel's table: one block of columns a joint, values and orders side by side."""
    m = moves(22, 6, 500, 12.5)
    at = (1, 2, 3, 4, 5, 6)
    columns: dict[str, object] = {"Clock": [
        _iso(n).replace("-", "/").replace("T", " ") for n in _stamps(m)
    ]}  # fmt: skip
    for n, k in enumerate(at):
        columns[f"A{k} act. (deg)"] = np.round(m.angle[n], 3)
        columns[f"A{k} ref. (deg)"] = np.round(m.commanded[n], 3)
        columns[f"A{k} motor amps"] = np.round(m.current[n], 3)
        columns[f"A{k} motor temp. (degF)"] = np.round(m.temperature[n] * 1.8 + 32, 1)
        columns[f"A{k} brake open"] = np.where(m.braked[n], 0, 1)
    columns["Program"] = ["PICK_7"] * len(m.t_s)
    columns["Override %"] = [100] * len(m.t_s)
    path = folder / "panel.xlsx"
    pl.DataFrame(columns).write_excel(path)
    return Layout("panel-table", path, {
        ("time", "column"): "Clock", ("time", "format"): "iso8601",
        ("joint.angle", "column"): _of("A{} act. (deg)", at), ("joint.angle", "unit"): "deg",
        ("joint.commanded_angle", "column"): _of("A{} ref. (deg)", at),
        ("joint.commanded_angle", "unit"): "deg",
        ("joint.current", "column"): _of("A{} motor amps", at), ("joint.current", "unit"): "A",
        ("joint.temperature", "column"): _of("A{} motor temp. (degF)", at),
        ("joint.temperature", "unit"): "degF",
        ("joint.brake_state", "column"): _of("A{} brake open", at),
    })  # fmt: skip


MAKERS = (
    motor_controller, joint_state_messages, telemetry_messages, field_bus_drives,
    controller_trace, numerical_export, units_in_a_row, lists_in_a_table, serial_servos,
    mnemonics, tagged_points, panel_table,
)  # fmt: skip


def open_layouts(folder: Path) -> Iterator[Layout]:
    """Write every layout below a folder, each into one of its own."""
    for make in MAKERS:
        own = folder / make.__name__
        own.mkdir(parents=True)
        yield make(own)
