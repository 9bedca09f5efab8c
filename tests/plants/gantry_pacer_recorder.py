"""The gantry pacer's recorder: 25 scans a second on the hall's own clock; map and arm file.

A row is a scan. Angles are hundredths of a degree and stand only where they changed, brake words
and the like too; all are written anew every ten seconds. The hand controller's rates are of every
scan, and so are currents, whole mA of a 12 bit converter. Housing temperatures come once a minute,
by halves of a degree. The clock counts seconds of the local day; a file beside the log says which
midnight that was. The joints' own rates are not written.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from tests.plants import gantry_pacer_body as b
from tests.plants import gantry_pacer_drive as d
from tests.plants.gantry_pacer_crew import HIGHEST, HZ, LOWEST, VMAX, Mission

Array = np.ndarray[Any, Any]

STEP_DEG, STEP_A, ZONE = 0.01, 25.0 / 2048, "+01:00"
ANEW = 10 * HZ
NAMES = {
    "angle": ("{name}.pos[deg]", "deg"),
    "commanded_rate": ("{name}.hand[deg/s]", "deg/s"),
    "current": ("{name}.mot[mA]", "mA"),
    "temperature": ("{name}.case[degC]", "degC"),
    "brake_command": ("{name}.brk_cmd", ""),
    "brake_state": ("{name}.brk", ""),
}
ENDS = {False: "socket-A", True: "socket-B"}


def readings(m: Mission, true: dict[str, Array], unit: d.Unit) -> dict[str, Array]:
    """Return what the sensors say: noise, bias, steps, and the faults that sit in sensors."""
    g, f = np.random.default_rng([m.seed, 8]), m.fault
    shape = true["q"].shape
    angle = np.rad2deg(true["q"].astype(float)) + g.normal(0, 0.0012, shape)
    amps = true["amps"].astype(float) * unit.gain + unit.bias_a + g.normal(0, 0.008, 7)
    amps += g.normal(0, 0.022, shape)
    stamp = np.arange(m.ticks) / HZ + np.clip(g.normal(0, 0.0015, m.ticks), -0.01, 0.01)
    keep = np.ones(m.ticks, bool)
    for start in np.flatnonzero(g.random(m.ticks) < 3e-4):
        keep[start : start + int(g.integers(1, 4))] = False
    warm = true["warm"].astype(float) + g.normal(0, 0.1, shape)
    if f:
        part, k, span = slice(f.start, f.end), f.joint, f.end - f.start
        if f.cause == "current-gain":
            amps[part, k] *= 1 + f.sign * f.amount
        elif f.cause == "current-offset":
            amps[part, k] += f.sign * f.amount
        elif f.cause == "current-dropout":
            amps[part, k] = g.normal(0, 0.006, span)
        elif f.cause == "current-stuck":
            amps[part, k] = amps[f.start, k]
        elif f.cause == "angle-jump":
            angle[f.start :, k] += f.sign * f.amount
        elif f.cause == "angle-drift":
            angle[part, k] += f.sign * f.amount * np.linspace(0, 1, span)
            angle[f.end :, k] += f.sign * f.amount
        elif f.cause == "angle-stuck":
            angle[part, k] = angle[f.start, k]
        elif f.cause == "gap":
            keep[part] = False
    keep[[0, -1]] = True
    amps = np.clip(np.round(amps / STEP_A), -2048, 2047) * STEP_A
    angle = np.round(angle / STEP_DEG).astype(int)
    midnight = m.start.replace(hour=0, minute=0, second=0, microsecond=0)
    time = (m.start - midnight).total_seconds() + stamp
    return {"time": time, "angle": angle, "amps": amps, "warm": warm, "keep": keep}


def changed(column: Array, anew: Array) -> Array:
    """Return where a value is written: where it changed, and where all is written anew."""
    out = anew.copy()
    out[1:] |= column[1:] != column[:-1]
    out[0] = True
    return out


def write_log(path: Path, m: Mission, true: dict[str, Array], unit: d.Unit) -> None:
    """Write one session's log, and the midnight it counts from beside it."""
    said = readings(m, true, unit)
    keep = said["keep"]
    scan = np.arange(m.ticks)[keep]
    anew, minute = np.zeros(len(scan), bool), np.zeros(len(scan), bool)
    anew[1:] = np.diff(scan // ANEW) > 0
    minute[1:] = np.diff(scan // (60 * HZ)) > 0
    anew[0] = minute[0] = True
    table: dict[str, Any] = {"day_s": np.round(said["time"][keep], 3)}

    def put(name: str, values: Any, where: Array) -> None:
        table[name] = pl.select(
            pl.when(pl.Series(where)).then(pl.Series(values)).otherwise(None)
        ).to_series()

    for key, (name, _) in NAMES.items():
        for k, joint in enumerate(b.JOINTS):
            if key in ("commanded_rate", "current"):
                continue
            cell = name.replace("{name}", joint)
            if key == "angle":
                counts = said["angle"][keep, k]
                put(cell, np.round(counts * STEP_DEG, 2), changed(counts, anew))
            elif key == "temperature":
                put(cell, np.round(2 * said["warm"][keep, k]) / 2, minute)
            else:
                word = (m.shut if key == "brake_command" else true["word"])[keep, k]
                put(cell, np.where(word, "SET", "FREE"), changed(word, anew))
    put("load[kg]", m.said_load[keep].astype(int), changed(m.said_load[keep], anew))
    ends = m.base_b[keep]
    put("stands_on", np.where(ends, ENDS[True], ENDS[False]), changed(ends, anew))
    put("rider", np.where(m.person[keep], "yes", "no"), changed(m.person[keep], anew))
    for k, joint in enumerate(b.JOINTS):  # of every scan, and last: no row ends in blanks
        table[NAMES["commanded_rate"][0].replace("{name}", joint)] = np.round(m.order[keep, k], 2)
    for k, joint in enumerate(b.JOINTS):
        amps = np.round(1e3 * said["amps"][keep, k]).astype(int)
        table[NAMES["current"][0].replace("{name}", joint)] = amps
    pl.DataFrame(table).write_csv(path)
    told = {"counts_from": f"{m.start:%Y-%m-%d}T00:00:00{ZONE} winter time", "scans_per_s": HZ}
    path.with_suffix(".json").write_text(json.dumps(told) + "\n")


def write_map(path: Path) -> None:
    """Write the log map."""
    text = "# Sedge's recorder: 25 scans a second, seconds of the local day, words on change.\n"
    text += f'[log]\nlayout = "wide"\njoints = {json.dumps(b.JOINTS)}\n'
    text += '\n[time]\ncolumn = "day_s"\nformat = "seconds"\nstart_from = "sidecar"\n'
    text += 'start_format = "%Y-%m-%dT%H:%M:%S%z"\n'
    for key, (name, unit) in NAMES.items():
        text += f'\n[joint.{key}]\ncolumn = "{name}"\n'
        words = 'words = { SET = "engaged", FREE = "released" }\n'
        text += f'unit = "{unit}"\n' if unit else words
    text += '\n[session.payload]\ncolumn = "load[kg]"\nunit = "kg"\n'
    text += '\n[session.base_end]\ncolumn = "stands_on"\n'
    text += f'words = {{ {ENDS[False]} = "A", {ENDS[True]} = "B" }}\n'
    text += '\n[session.person_on_tip]\ncolumn = "rider"\n'
    path.write_text(text)


def write_arm(folder: Path) -> None:
    """Write the arm by its plate, and a file with the joints' names only."""
    text = "# Sedge: an invented arm on an invented gantry, by its plate; sockets stand upright.\n"
    text += f'[arm]\nname = "Sedge"\ngravity_m_s2 = [0.0, 0.0, {-b.G}]\nconvention = "fixed"\n'
    text += f"\n[arm.tip]\nxyz_m = [0.0, 0.0, {b.TIP_M}]\n"
    text += f"\n[arm.payload]\ncentre_m = [0.0, 0.0, {b.LOAD_M}]\n"
    text += f"\n[arm.base_link]\n{plate(0)}"
    near = ("shoulder roll", "shoulder yaw", "shoulder pitch", "elbow")
    far = ("elbow", "wrist pitch", "wrist yaw", "wrist roll")
    roles = [*near, *far[1:]]
    names = '[arm]\nname = "Sedge"\n'
    for k, name in enumerate(b.JOINTS):
        row = f'\n[[joints]]\nname = "{name}"\n'
        names += row
        text += row + f'serial = "SG-{311 + k}"\nrole_base_a = "{roles[k]}"\n'
        text += f'role_base_b = "{roles[6 - k]}"\n'
        text += f"angle_range_deg = [{LOWEST[k] - 12}, {HIGHEST[k] + 12}]\n"
        text += f"rate_limit_deg_s = {VMAX[k]}\ngear_ratio = {d.GEAR[k]}\n"
        text += f"torque_constant_nm_a = {d.KT[k]}\nmotor_inertia_kg_m2 = {d.ROTOR[k]:.5f}\n"
        text += f"efficiency_drive = {1 / (1 + d.FORWARD[k]):.2f}\n"
        text += f"efficiency_backdrive = {1 - d.BACKWARD[k]:.2f}\n"
        text += f"current_limit_a = {d.LIMIT_A[k]}\nbrake_torque_nm = {d.BRAKE_NM[k]}\n"
        text += f"ripple_orders = [1.0, {d.TEETH[k]}]\n"
        axis = [float(b.AXES[k] == i) for i in range(3)]
        text += f"[joints.geometry]\nxyz_m = [0.0, 0.0, {b.STEPS[k]}]\naxis = {axis}\n"
        text += f"[joints.link]\n{plate(k + 1)}"
    (folder / "arm.toml").write_text(text)
    (folder / "names-only.toml").write_text(names)


def plate(body: int) -> str:
    """Return a body's lines in the arm file."""
    six = [round(x, 4) for x in (*b.plate_inertia(body), 0.0, 0.0, 0.0)]
    where = [float(b.ASIDE[body]), 0.0, float(b.CENTRE[body])]
    return f"mass_kg = {b.MASS[body]}\ncentre_m = {where}\ninertia_kg_m2 = {six}\n"
