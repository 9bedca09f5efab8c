"""The bed tender: a plant for measuring detection, written without having read it.

An invented arm in an invented glasshouse, Ossmere: seven joints, turning and leaning by
turns, that plugs either end into posts between the beds, carries trays of up to 38 kg
under gravity and inches along the rows at a few tenths of a degree a second. Bodies are
in `bed_tender_body`, drives in `bed_tender_drive`, errands and faults' places in
`bed_tender_errands`. The recorder writes a row every 40 ms: milliseconds since the start
that the file's name tells, turns, amperes in steps of 0.02, degrees Fahrenheit in halves.

Sizes, large, middling and small; each fault stands alone in its session:

friction-step       all of a joint's friction 60, 30, 15 % more, to the end
friction-growth     the same growing evenly through the session to 90, 45, 22 %
brake-drag          a pad rubs with 70, 35, 17 % of the unloaded Coulomb level (48 N m
                    leaning, 19 N m turning), for one to four releases
brake-slip          2, 0.3, 0.044 deg (eight steps of the encoder) within 3 to 6 s
late-release        1.0, 0.45, 0.2 s later than the usual tenth, and the word says so
late-release-lying  1.7, 1.0, 0.6 s later, the word comes as usual
stick-slip          static friction up by 120, 70, 45 % of the Coulomb level while inching,
                    gone within 0.25 deg/s; where that makes the drive's loop stick
blocked-motion      a rim stops the joint for 7, 4, 2 s
current-offset      0.6, 0.25, 0.1 A for 1.5 to 4 min
current-gain        40, 20, 10 % for 3 to 5.5 min
angle-jump          50, 15, 5 steps of the encoder (0.275, 0.082, 0.027 deg), to the end
angle-stuck         8, 3.5, 1.5 s while the joint moves at 1.5 deg/s or more
wrong-load          the tray weighs 12, 7, 4 kg more or less than listed

``python -m tests.plants.bed_tender OUT [--undeclared SHARE]`` writes the campaign.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from tests.plants.bed_tender_body import (
    AXIS,
    CENTRE,
    GRAVITY,
    GYRATION,
    MASS,
    NAMES,
    PLACE,
    TIP,
    TRAY_CENTRE,
    TRAY_GYRATION,
)
from tests.plants.bed_tender_drive import (
    BRAKE,
    DEG,
    KT,
    LIMIT_A,
    RATIO,
    ROTOR,
    TICK,
    Arm,
    Plan,
    draw_arm,
    run,
)
from tests.plants.bed_tender_errands import COUNT, FASTEST, SIZES, WORDS, day, place

SEED = 20460301
FIRST = datetime(2046, 3, 1, 5, tzinfo=UTC)
TURN = 2 * np.pi


def campaign(seed: int, training: int, clean: int, faults: int) -> list[tuple[str, datetime, Plan]]:
    """Draw sessions in the order of their days: role, start, errands."""
    r = np.random.default_rng(seed)
    kinds = [(cause, size) for size in ("large", "middling", "small") for cause in SIZES][:faults]
    later: list[tuple[str, str] | None] = [*kinds, *[None] * clean]
    todo = [*[None] * training, *(later[i] for i in r.permutation(len(later)))]
    out, now = [], FIRST
    for number, kind in enumerate(todo):
        now += timedelta(days=float(r.uniform(0.6, 3.4)))
        now = now.replace(hour=int(r.integers(5, 21)), microsecond=0)
        season = (now.timetuple().tm_yday - 110) / 365
        minutes = r.uniform(12, 18) if kind else r.uniform(14, 20)
        plan = day(r, minutes, now.hour, season)
        while kind and not place(plan, kind[0], kind[1], r):
            plan = day(r, minutes, now.hour, season)
        role = "training" if number < training else "fault" if kind else "clean"
        out.append((role, now, plan))
    return out


def record(arm: Arm, plan: Plan, seen: dict[str, Any], row: int, seed: int) -> pl.DataFrame:
    """Return what the recorder wrote of one session."""
    r, ticks = np.random.default_rng([seed, 1]), len(plan.load)
    angle = seen["q"][row, :ticks].astype(float)
    amp = seen["amp"][row, :ticks].astype(float)
    angle += r.normal(0, 0.3 * COUNT, angle.shape)
    at, fault = np.arange(ticks) * TICK, plan.fault
    if fault:
        inside, j = (at >= fault.start_s - TICK / 2) & (at < fault.end_s - TICK / 2), fault.joint
        if fault.cause == "angle-jump":
            angle[inside, j] += fault.amount
        elif fault.cause == "angle-stuck":
            angle[inside, j] = angle[np.argmax(inside), j]
        elif fault.cause == "current-offset":
            amp[inside, j] += fault.amount
        elif fault.cause == "current-gain":
            amp[inside, j] *= 1 + fault.amount
    angle = np.floor(angle / COUNT) * COUNT / TURN
    amp = np.round((amp + arm.zero_a + r.normal(0, 0.03, amp.shape)) / 0.02) * 0.02
    heat = np.round((seen["temp"][row, :ticks] * 1.8 + 32 + r.normal(0, 0.15, amp.shape)) * 2) / 2
    stamp = np.round(1e3 * (at + TICK) * (1 + 3e-5) + np.clip(r.normal(0, 2, ticks), -8, 8))
    columns: dict[str, Any] = {"ms": stamp.astype(np.int64)}
    for j, name in enumerate(NAMES):
        columns[f"{name}.turn"] = np.round(angle[:, j], 6)
        columns[f"{name}.goal"] = np.round(seen["goal"][row, :ticks, j].astype(float) / TURN, 6)
        columns[f"{name}.amps"] = np.round(amp[:, j], 2) + 0.0
        columns[f"{name}.degF"] = heat[:, j]
        for word, key in (("pad_told", "ask"), ("pad", "word")):
            columns[f"{name}.{word}"] = np.where(seen[key][row, :ticks, j], "off", "on")
    columns["rooted"] = np.full(ticks, "green" if plan.base_b else "red")
    if plan.declared:
        columns["tray_g"] = np.round(seen["listed"][row, :ticks] * 1e3).astype(np.int64)
    columns["errand"] = np.array(WORDS)[seen["errand"][row, :ticks]]
    lost = r.random(ticks) < 0.003
    for first in r.integers(0, ticks, r.poisson(3)):
        lost[first : first + int(r.integers(5, 30))] = True
    return pl.DataFrame(columns).filter(~lost)


def truth_of(
    name: str, role: str, start: datetime, plan: Plan, seen: dict[str, Any], row: int
) -> dict[str, Any]:
    """Return a session's line of the truth."""
    faults = []
    if plan.fault:
        f, end_s = plan.fault, plan.fault.end_s
        if f.cause.startswith("late"):
            first = round(f.start_s / TICK)
            end_s = (first + int(np.argmax(seen["free"][row, first:, f.joint]))) * TICK
        faults.append(
            {
                "joint": NAMES[f.joint],
                "cause": f.cause,
                "kind": SIZES[f.cause][0],
                "size": f.size,
                "amount": f.amount,
                "start": (start + timedelta(seconds=f.start_s)).isoformat(),
                "end": (start + timedelta(seconds=end_s)).isoformat(),
            }
        )
    return {
        "file": name,
        "role": role,
        "start": start.isoformat(),
        "minutes": round(len(plan.load) * TICK / 60, 2),
        "declared_load": plan.declared,
        "base": "B" if plan.base_b else "A",
        "faults": faults,
    }


def log_map() -> str:
    """Return the log map of the recorder."""
    return f"""# The bed tender's recorder: milliseconds, turns, amperes, degrees Fahrenheit.
[log]
layout = "wide"
joints = {json.dumps(list(NAMES))}
numbering = "A"

[time]
column = "ms"
format = "milliseconds"
start_from = "name"
start_format = "%Y%m%dT%H%M%S"

[joint]
angle = {{ column = "{{name}}.turn", unit = "rev" }}
commanded_angle = {{ column = "{{name}}.goal", unit = "rev" }}
current = {{ column = "{{name}}.amps", unit = "A" }}
temperature = {{ column = "{{name}}.degF", unit = "degF" }}
[joint.brake_command]
column = "{{name}}.pad_told"
words = {{ on = "engaged", off = "released" }}
[joint.brake_state]
column = "{{name}}.pad"
words = {{ on = "engaged", off = "released" }}

[session]
payload = {{ column = "tray_g", unit = "g", optional = true }}
base_end = {{ column = "rooted", words = {{ red = "A", green = "B" }} }}
phase = {{ column = "errand" }}
"""


def arm_file(full: bool = True) -> str:
    """Return the arm file of the drawing, or one with names only."""
    if not full:
        heads = "".join(f'\n[[joints]]\nname = "{n}"\n' for n in NAMES)
        return f'[arm]\nname = "Bed tender"\n{heads}'

    def row(x: Any) -> str:
        return "[" + ", ".join(f"{float(v):.6g}" for v in x) + "]"

    def link(i: int) -> str:
        six = [*(MASS[i] * GYRATION[i] ** 2), 0, 0, 0]
        return f"mass_kg = {MASS[i]}\ncentre_m = {row(CENTRE[i])}\ninertia_kg_m2 = {row(six)}\n"

    text = f"""# The bed tender: an invented arm.
[arm]
name = "Bed tender"
gravity_m_s2 = [0.0, 0.0, {-GRAVITY}]
convention = "fixed"
[arm.tip]
xyz_m = {row(TIP)}
[arm.payload]
centre_m = {row(TRAY_CENTRE)}
gyration_m = {row(TRAY_GYRATION)}
[arm.base_link]
{link(0)}"""
    for j, name in enumerate(NAMES):
        text += f"""
[[joints]]
name = "{name}"
serial = "BT-{j + 401}"
rate_limit_deg_s = {FASTEST[j] / DEG:.1f}
gear_ratio = {RATIO[j]}
torque_constant_nm_a = {KT[j]}
motor_inertia_kg_m2 = {ROTOR[j]}
current_limit_a = {LIMIT_A[j]}
brake_torque_nm = {BRAKE[j]}
ripple_orders = [1.0, 2.0]
[joints.geometry]
xyz_m = {row(PLACE[j])}
axis = {row(AXIS[j])}
[joints.link]
{link(j + 1)}"""
    return text


def main(words: Sequence[str] | None = None) -> None:
    """Write logs, map, arm files and truth."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--training", type=int, default=24)
    parser.add_argument("--clean", type=int, default=14)
    parser.add_argument("--faults", type=int, default=39)
    parser.add_argument("--undeclared", type=float, default=0.0, help="share without tray_g")
    a = parser.parse_args(words)
    sessions = campaign(a.seed, a.training, a.clean, a.faults)
    silent = np.random.default_rng([a.seed, 2]).random(len(sessions)) < a.undeclared
    arm, seeds = draw_arm(a.seed), [a.seed + 1 + i for i in range(len(sessions))]
    for (_, _, plan), without in zip(sessions, silent, strict=True):
        plan.declared = not without
    (a.out / "logs").mkdir(parents=True, exist_ok=True)
    seen = run(arm, [p for _, _, p in sessions], seeds)
    truth = []
    for i, (role, start, plan) in enumerate(sessions):
        name = f"tender-{start:%Y%m%dT%H%M%S}.csv"
        record(arm, plan, seen, i, seeds[i]).write_csv(a.out / "logs" / name, separator=";")
        truth.append(truth_of(name, role, start, plan, seen, i))
    (a.out / "truth.json").write_text(json.dumps({"sessions": truth}, indent=1))
    (a.out / "map.toml").write_text(log_map())
    (a.out / "arm.toml").write_text(arm_file())
    (a.out / "names-only.toml").write_text(arm_file(full=False))


if __name__ == "__main__":
    main()
