"""Larkspur's recorder: 40 rows a second, not quite evenly; its map and the arm's name-plate.

Angles come as whole thousandths of a degree from a 17 bit resolver at the link, rates in mrad/s
from the motor's pick-up, currents as whole multiples of 10 mA from a 16 bit word, housing
temperatures in kelvin by halves every 15 s. Brakes: SHUT and OPEN. Instants are milliseconds
since 1970 with some jitter; a few rows are lost.
"""

from __future__ import annotations

import json
from datetime import UTC
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from tests.plants.deck_reacher_body import JOINTS, LOAD_M, PLATE, STEPS, TIP_M, G, plate_inertia
from tests.plants.deck_reacher_crew import Mission
from tests.plants.deck_reacher_drive import BRAKE_NM, GEAR, KT, LIMIT_A, ROTOR, SHARE, WAVE, Unit
from tests.plants.deck_reacher_hands import HIGHEST, HZ, LOWEST, VMAX_DEG

Array = np.ndarray[Any, Any]

RESOLVER_DEG, WORD_A, SLOW_S = 360.0 / 2**17, 0.010, 15
NAMES = {
    "angle": ("{name}_ANG", "mdeg"),
    "commanded_rate": ("{name}_STICK", "deg/s"),
    "rate": ("{name}_TACH", "mrad/s"),
    "current": ("{name}_MOT", "mA"),
    "temperature": ("{name}_HSG", "K"),
    "brake_command": ("{name}_BRK_ORDER", ""),
    "brake_state": ("{name}_BRK", ""),
}


def readings(m: Mission, true: dict[str, Array], unit: Unit) -> dict[str, Array]:
    """Return what the sensors say: noise, bias, steps, and the faults that sit in sensors."""
    g, f = np.random.default_rng([m.seed, 8]), m.fault
    angle = np.rad2deg(true["q"] + unit.zero_rad) + g.normal(0, 0.3 * RESOLVER_DEG, true["q"].shape)
    if f and f.cause == "resolver-jump":
        angle[f.start :, f.joint] += f.sign * f.amount
    angle = np.round(angle / RESOLVER_DEG) * RESOLVER_DEG
    if f and f.cause == "resolver-freeze":
        angle[f.start : f.end, f.joint] = angle[f.start, f.joint]
    amps = true["amps"].copy()
    if f and f.cause == "shunt-gain":
        amps[f.start : f.end, f.joint] *= 1 + f.sign * f.amount
    if f and f.cause == "shunt-offset":
        moving = m.cmd[:, f.joint] != 0
        usual = np.median(np.abs(amps[moving, f.joint]))
        amps[f.start : f.end, f.joint] += f.sign * f.amount * usual
    bias = unit.bias_a + g.normal(0, 0.008, 7)
    noise = g.normal(0, 1.0, amps.shape) * (0.012 + 0.0025 * LIMIT_A)
    amps = np.round((amps * unit.gain + bias + noise) / WORD_A) * WORD_A
    rate = 1e3 * true["w"] + g.normal(0, 0.25, true["w"].shape)
    warm = np.round(2 * (true["warm"] + 273.15 + g.normal(0, 0.1, true["warm"].shape))) / 2
    keep = np.ones(m.ticks, bool)
    for start in np.flatnonzero(g.random(m.ticks) < 4e-4):
        keep[start : start + int(g.integers(1, 5))] = False
    keep[[0, -1]] = True
    stamp = np.arange(m.ticks) * (1000 // HZ) + np.clip(g.normal(0, 2.0, m.ticks), -9, 9)
    begin = round(m.start.replace(tzinfo=UTC).timestamp() * 1000)
    time = begin + np.round(stamp).astype(int)
    return {"time": time, "angle": angle, "amps": amps, "rate": rate, "warm": warm, "keep": keep}


def write_log(path: Path, m: Mission, true: dict[str, Array], unit: Unit) -> None:
    """Write one session's log."""
    said = readings(m, true, unit)
    table: dict[str, Any] = {"UTC_MS": said["time"]}
    slow = np.arange(m.ticks) % (SLOW_S * HZ) == 0
    for key, (name, _) in NAMES.items():
        for k, joint in enumerate(JOINTS):
            cell = name.replace("{name}", joint)
            if key == "angle":
                table[cell] = np.round(1e3 * said["angle"][:, k]).astype(int)
            elif key == "commanded_rate":
                table[cell] = np.round(np.rad2deg(m.cmd[:, k]), 2)
            elif key == "rate":
                table[cell] = np.round(said["rate"][:, k], 1)
            elif key == "current":
                table[cell] = np.round(1e3 * said["amps"][:, k]).astype(int)
            elif key == "temperature":
                table[cell] = pl.Series(np.where(slow, said["warm"][:, k], np.nan)).fill_nan(None)
            else:
                word = m.brake if key == "brake_command" else true["word"]
                table[cell] = np.where(word[:, k], "SHUT", "OPEN")
    table["LOAD_KG"] = m.said_load.astype(int)
    pl.DataFrame(table).filter(pl.Series(said["keep"])).write_csv(path)


def write_map(path: Path) -> None:
    """Write the log map."""
    text = "# Larkspur's recorder: 40 rows a second, housing temperatures every 15 s.\n[log]\n"
    text += f'layout = "wide"\njoints = {json.dumps(JOINTS)}\n'
    text += '\n[time]\ncolumn = "UTC_MS"\nformat = "epoch-ms"\n'
    for key, (name, unit) in NAMES.items():
        text += f'\n[joint.{key}]\ncolumn = "{name}"\n'
        words = 'words = { SHUT = "engaged", OPEN = "released" }\n'
        text += f'unit = "{unit}"\n' if unit else words
    text += '\n[session.payload]\ncolumn = "LOAD_KG"\nunit = "kg"\n'
    text += '\n[session.base_end]\nvalue = "A"\n'
    path.write_text(text)


def write_arm(folder: Path) -> None:
    """Write the arm by its name-plate, and a file with the joints' names only."""
    text = "# Larkspur: an invented arm on an invented ship, by its name-plate, the deck level.\n"
    text += f'[arm]\nname = "Larkspur"\ngravity_m_s2 = [0.0, 0.0, {-G}]\nconvention = "fixed"\n'
    text += f"\n[arm.tip]\nxyz_m = [0.0, 0.0, {TIP_M}]\n"
    text += f"\n[arm.payload]\ncentre_m = [0.0, 0.0, {LOAD_M}]\n"
    text += "gyration_m = [0.16, 0.16, 0.16]\n"
    roles = ("slew", "luff", "upper arm roll", "elbow", "forearm roll", "wrist nod", "wrist twist")
    names = '[arm]\nname = "Larkspur"\n'
    for k, name in enumerate(JOINTS):
        row = f'\n[[joints]]\nname = "{name}"\n'
        names += row
        mass, up, aside = PLATE[k, :3]
        six = [round(float(x), 4) for x in (*plate_inertia(k), 0.0, 0.0, 0.0)]
        text += row + f'serial = "LK-{204 + k}"\nrole_base_a = "{roles[k]}"\n'
        text += f"angle_range_deg = [{LOWEST[k] - 10}, {HIGHEST[k] + 10}]\n"
        text += f"rate_limit_deg_s = {VMAX_DEG[k]}\ngear_ratio = {GEAR[k]}\n"
        text += f"torque_constant_nm_a = {KT[k]}\nmotor_inertia_kg_m2 = {ROTOR[k]}\n"
        text += f"efficiency_drive = {1 / (1 + SHARE):.3f}\n"
        text += f"efficiency_backdrive = {1 - SHARE:.3f}\n"
        text += f"current_limit_a = {LIMIT_A[k]}\nbrake_torque_nm = {BRAKE_NM[k]}\n"
        text += f"ripple_orders = [1.0, {2 * WAVE[k]}]\n"
        axis = [0.0, float(k % 2), float(1 - k % 2)]
        text += f"[joints.geometry]\nxyz_m = [0.0, 0.0, {STEPS[k]}]\naxis = {axis}\n"
        text += f"[joints.link]\nmass_kg = {mass}\ncentre_m = [{aside}, 0.0, {up}]\n"
        text += f"inertia_kg_m2 = {six}\n"
    (folder / "arm.toml").write_text(text)
    (folder / "names-only.toml").write_text(names)
