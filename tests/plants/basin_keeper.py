"""The basin keeper: an invented arm that tends an invented harbour basin under water.

Physics. A seven-joint arm of 4.6 m plugs either end into sockets along a quay wall and carries
anodes, grates and baskets. (1) Rigid bodies from either base end, step 5 ms. (2) Odd: links and
loads float in part, so weight is an eighth of moving mass, and their shares differ by some per
cent; moving mass includes water taken along. (3) Odd: drag with the square of the speed across
every link and load, felt by all joints nearer the base. (4) Odd: the water itself drifts along the
wall and swells, otherwise each session. (5) Odd: seals press harder with depth and stiffen in cold
water; socket depth and warmth differ by session. (6) Gears of 100 and 120 lose a share of the
torque that they carry; friction depends on direction, place and the way run since the start.
(7) Brakes with delays and words, drives let go by the word. (8) A recorder at 20 Hz, its stamps
uneven by some ms: mrad, rpm, mA, K; commanded rates, no measured ones. The arm file states one
weak gravity and a few per cent else; of water it says nothing.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.plants import basin_keeper_body as body
from tests.plants import basin_keeper_crew as crew
from tests.plants import basin_keeper_drive as drive
from tests.plants.basin_keeper_body import NAMES, Array

ANGLE_STEP_MRAD, CURRENT_STEP_MA = 0.1, 8.0
ANGLE_NOISE_MRAD, CURRENT_NOISE_MA = 0.06, 15.0
_START = datetime(2034, 2, 1, 6, tzinfo=UTC)


@dataclass(frozen=True)
class Session:
    """One session of a campaign before it is run."""

    number: int
    role: str
    start: datetime
    seed: int
    plan: crew.Plan
    fault: crew.Fault | None = None

    @property
    def file(self) -> str:
        return f"basin_{self.number:03d}.parquet"

    def joint(self, place: int) -> int:
        """Return the joint counted from end A of one counted from the base."""
        return 6 - place if self.plan.base_b else place


def campaign(seed: int, training: int, clean: int, faults: int, minutes: float) -> list[Session]:
    """Plan a whole campaign: training first, clean and fault sessions mixed after it."""
    rng = np.random.default_rng([seed, 1])
    wanted = [(c, s) for c in crew.CAUSES for s in crew.SIZES]
    wanted = [wanted[i % len(wanted)] for i in rng.permutation(max(faults, len(wanted)))][:faults]
    later: list[tuple[str, str] | None] = [*wanted, *([None] * clean)]
    order: list[tuple[str, str] | None] = [later[i] for i in rng.permutation(len(later))]
    out, when = [], _START
    for number in range(training + clean + faults):
        long = minutes * float(rng.uniform(0.92, 1.08))
        what = None if number < training else order[number - training]
        if what is None:
            role, fault = "training" if number < training else "clean", None
            p = crew.plan(rng, long, loaded=rng.random() < 0.4)
        else:
            role, (p, fault) = "fault", crew.find(*what, long, rng)
        when += timedelta(hours=float(rng.uniform(9, 60)))
        out.append(Session(number + 1, role, when, int(rng.integers(2**31)), p, fault))
    return out


def setting(sessions: list[Session], hardware: drive.Units) -> tuple[drive.Setting, Array]:
    """Return what the simulator is given, and each session's silt, from plans and faults."""
    s, rows = len(sessions), max(len(x.plan.asked) for x in sessions)
    ticks = int(rows * drive.PER_ROW)
    row_of = (np.arange(ticks) / drive.PER_ROW + 1e-9).astype(int)
    base_b = np.array([x.plan.base_b for x in sessions])
    unit = drive.Units(
        **{f.name: _from_base(getattr(hardware, f.name), base_b) for f in fields(drive.Units)}
    )
    at, wide = np.zeros((s, 7)), (ticks, s, 7)
    g = drive.Setting(
        start=at,
        asked=np.zeros(wide, np.float32),
        word=np.ones(wide, bool),
        shut=np.ones(wide, bool),
        friction=np.ones(wide, np.float32),
        load={k: np.zeros((ticks, s), np.float32) for k in ("mass", "weight", "drag")},
        stream={k: np.zeros((s, 4)) for k in ("size", "period", "phase")} | {"mean": np.zeros(s)},
        warm=np.zeros(s),
        depth=np.zeros(s),
        session_friction=np.ones((s, 7)),
        wear_in=np.zeros((s, 7)),
        unit=unit,
        turned=np.where(base_b[:, None], body.TURNED, 1.0),
    )
    silt = np.zeros(s)
    for n, x in enumerate(sessions):
        rng, p, f = np.random.default_rng([x.seed, 2]), x.plan, x.fault
        own = row_of[row_of < len(p.asked)]
        g.start[n] = np.radians(p.start_deg)
        g.asked[: len(own), n] = np.radians(p.asked)[own]
        g.warm[n] = 10.0 + 4.5 * np.sin(x.start.timetuple().tm_yday / 58) + rng.normal(0, 0.8)
        g.depth[n] = rng.uniform(4.5, 13.0)
        g.session_friction[n] = 1 + rng.normal(0, 0.03, 7)
        g.wear_in[n] = rng.uniform(0.03, 0.12, 7)
        g.stream["mean"][n] = rng.normal(0, 0.04)
        g.stream["size"][n] = np.array([0.02, 0.015, 0.01, 0.008]) * rng.uniform(0.4, 1.2, 4)
        g.stream["period"][n] = rng.uniform([250, 120, 9, 5], [600, 240, 14, 8])
        g.stream["phase"][n] = rng.uniform(0, 2 * np.pi, 4)
        silt[n] = rng.normal(0, 0.01)
        drive.set_brakes(g, n, p, f, rng)
        for kind, (_, _, along, heavy, drag) in enumerate(crew.LOADS.values()):
            hung = np.where(p.kind == kind, p.hung, 0.0)
            there = (hung > 0)[own]
            if f is not None and f.cause == "payload":
                hung[f.first : f.last] *= 1 + f.sign * f.amount
            g.load["mass"][: len(own), n] += (hung * along)[own]
            g.load["weight"][: len(own), n] += (hung * heavy * body.WET_GRAVITY_M_S2)[own]
            g.load["drag"][: len(own), n] += drag * rng.uniform(0.9, 1.1) * there
        if f is not None:
            drive.spoil(g, n, f)
    return g, silt


def _from_base(values: Array, base_b: Array) -> Array:
    """Return (..., S, 7) in base order from (..., 7) counted from end A."""
    both = np.where(base_b[:, None], values[..., None, ::-1], values[..., None, :])
    return np.asarray(both)


def simulate(sessions: list[Session], seed: int) -> list[pl.DataFrame]:
    """Run all sessions side by side and return their logs."""
    hardware = drive.units(np.random.default_rng([seed, 3]))
    g, silt = setting(sessions, hardware)
    base_b = np.array([x.plan.base_b for x in sessions])
    arm = body.bodies(np.random.default_rng([seed, 4]), base_b, g.unit.rotor, silt)
    done = drive.run(g, arm)
    return [log(x, n, g, done, hardware, seed) for n, x in enumerate(sessions)]


def log(
    x: Session, n: int, g: drive.Setting, done: drive.Run, u: drive.Units, seed: int
) -> pl.DataFrame:
    """Return what the recorder wrote of one session, joints by name."""
    rng, arm_rng = np.random.default_rng([x.seed, 5]), np.random.default_rng([seed, 6])
    f, p, rows = x.fault, x.plan, len(x.plan.asked)
    t = np.arange(rows) / crew.HZ + 0.025 + np.clip(rng.normal(0, 0.003, rows), -0.01, 0.01)
    clock = np.arange(len(g.asked)) * drive.TICK_S + drive.TICK_S
    tick = np.minimum((t / drive.TICK_S).astype(int), len(clock) - 1)
    row = np.minimum((t * crew.HZ).astype(int), rows - 1)
    start_us = round(x.start.timestamp() * 1e6)
    table: dict[str, NDArray[Any]] = {"wall_us": start_us + np.round(t * 1e6).astype(np.int64)}
    warm_off = arm_rng.normal(0, 0.4, 7)
    for a, name in enumerate(NAMES):
        j = 6 - a if p.base_b else a
        sign = body.TURNED[j] if p.base_b else 1.0
        here = f is not None and f.joint == j
        true = np.interp(t, clock, done.angle[:, n, j].astype(float)) * sign
        angle = 1000 * true + rng.normal(0, ANGLE_NOISE_MRAD, rows)
        amps = np.interp(t, clock, done.current[:, n, j].astype(float)) * sign
        driven = ~g.word[tick, n, j]
        amps += driven * u.cogging[a] * np.sin(drive.GEAR[a] * true + 6 * u.lean[a])
        seen = amps * u.sensor_gain[a] + rng.normal(0, 0.006)
        if f is not None and here and f.cause in ("current-gain", "current-offset"):
            turning = np.abs(p.asked[:, j]) > 0.2
            usual = float(np.median(np.abs(amps[turning])))
            more = usual if f.cause == "current-offset" else seen[f.first : f.last]
            seen[f.first : f.last] += (
                (f.sign if f.cause == "current-offset" else 1) * f.amount * more
            )
        milli = 1000 * seen + rng.normal(0, CURRENT_NOISE_MA, rows)
        angle = ANGLE_STEP_MRAD * np.round(angle / ANGLE_STEP_MRAD)
        if f is not None and here and f.cause == "angle-jump":
            angle[f.first :] += f.sign * f.amount * ANGLE_STEP_MRAD
        if f is not None and here and f.cause == "angle-stuck":
            angle[f.first : f.last] = angle[f.first]
        keep = np.exp(-1 / crew.HZ / 45)
        warm = np.interp(t, clock, done.warmth[:, n, j].astype(float))
        warm, _ = lfilter([1 - keep], [1, -keep], warm, zi=[keep * warm[0]])
        warm += 273.15 + warm_off[a] + rng.normal(0, 0.08, rows)
        table[f"{name}_turn_mrad"] = np.round(angle, 1)
        table[f"{name}_asked_rpm"] = np.round(sign * p.asked[row, j] / 6, 3)
        table[f"{name}_draw_mA"] = (CURRENT_STEP_MA * np.round(milli / CURRENT_STEP_MA)).astype(int)
        table[f"{name}_case_K"] = 0.25 * np.round(warm / 0.25)
        table[f"{name}_clamp_told"] = np.where(p.shut[row, j], "shut", "open")
        table[f"{name}_clamp_is"] = np.where(g.word[tick, n, j], "shut", "open")
    table["hung_kg"] = p.hung[row]
    table["plugged"] = np.full(rows, "south" if p.base_b else "north")
    table["work"] = np.array(crew.PHASES)[p.phase[row]]
    table["basin_K"] = np.full(rows, round(float(g.warm[n]) + 273.15, 1))
    return pl.DataFrame(table)


def map_file() -> str:
    """Return the log map."""
    words = '\nwords = { shut = "engaged", open = "released" }\n'
    return (
        f'[log]\nlayout = "wide"\njoints = {json.dumps(NAMES)}\nnumbering = "A"\n'
        '[time]\ncolumn = "wall_us"\nformat = "epoch-us"\n'
        '[joint.angle]\ncolumn = "{name}_turn_mrad"\nunit = "mrad"\n'
        '[joint.commanded_rate]\ncolumn = "{name}_asked_rpm"\nunit = "rpm"\n'
        '[joint.current]\ncolumn = "{name}_draw_mA"\nunit = "mA"\n'
        '[joint.temperature]\ncolumn = "{name}_case_K"\nunit = "K"\n'
        '[joint.brake_command]\ncolumn = "{name}_clamp_told"' + words +
        '[joint.brake_state]\ncolumn = "{name}_clamp_is"' + words +
        '[session.payload]\ncolumn = "hung_kg"\nunit = "kg"\n'
        '[session.base_end]\ncolumn = "plugged"\nwords = { north = "A", south = "B" }\n'
        '[session.phase]\ncolumn = "work"\n'
    )  # fmt: skip


def truth(x: Session) -> dict[str, object]:
    """Return a session's entry in truth.json."""
    faults, f = [], x.fault
    if f is not None:
        first, last = (x.start + timedelta(seconds=r / crew.HZ) for r in (f.first, f.last))
        faults = [{"joint": NAMES[x.joint(f.joint)], "cause": f.cause, "kind": f.kind,
                   "start": first.isoformat(), "end": last.isoformat(),
                   "size": f.size}]  # fmt: skip
    return {
        "file": x.file, "role": x.role, "start": x.start.isoformat(),
        "minutes": round(len(x.plan.asked) / crew.HZ / 60, 2),
        "declared_load": bool((x.plan.hung > 0).any()), "faults": faults,
    }  # fmt: skip


def healthy(x: Session) -> Session:
    """Return the twin without its fault."""
    return replace(x, fault=None)


def change(x: Session, with_fault: pl.DataFrame, without: pl.DataFrame) -> dict[str, float]:
    """Return what a fault changes of its joint in its span, in the noise of one reading.

    Root mean squares, the largest change over half a second, rows whose brake word differs.
    """
    f = x.fault
    if f is None:
        raise ValueError("the session has no fault")
    name, rows = NAMES[x.joint(f.joint)], slice(f.first, min(f.last + 20, len(x.plan.asked)))
    both = [with_fault[rows], without[rows]]
    amps, angle = (
        np.subtract(*(b[f"{name}_{q}"].to_numpy().astype(float) for b in both))
        for q in ("draw_mA", "turn_mrad")
    )
    smooth = np.convolve(amps, np.ones(10) / 10, "same")
    noise_ma, noise_mrad = np.hypot(CURRENT_NOISE_MA, 2.3), np.hypot(ANGLE_NOISE_MRAD, 0.029)
    return {
        "current": float(np.sqrt(np.mean(amps**2)) / noise_ma),
        "angle": float(np.sqrt(np.mean(angle**2)) / noise_mrad),
        "peak_current": float(np.max(np.abs(smooth)) / noise_ma),
        "word_rows": float((both[0][f"{name}_clamp_is"] != both[1][f"{name}_clamp_is"]).sum()),
    }


def main() -> None:
    """Write a campaign."""
    parser = argparse.ArgumentParser(description="write a campaign of the basin keeper")
    parser.add_argument("out", type=Path)
    parser.add_argument("--seed", type=int, default=6)
    parser.add_argument("--training", type=int, default=12)
    parser.add_argument("--clean", type=int, default=12)
    parser.add_argument("--faults", type=int, default=39)
    parser.add_argument("--minutes", type=float, default=15.0)
    parser.add_argument("--twins", action="store_true", help="print what each fault changes")
    ask = parser.parse_args()
    (ask.out / "logs").mkdir(parents=True, exist_ok=True)
    sessions = campaign(ask.seed, ask.training, ask.clean, ask.faults, ask.minutes)
    logs = simulate(sessions, ask.seed)
    for x, table in zip(sessions, logs, strict=True):
        table.write_parquet(ask.out / "logs" / x.file)
    (ask.out / "map.toml").write_text(map_file())
    (ask.out / "arm.toml").write_text(drive.arm_file())
    names = "".join(f'\n[[joints]]\nname = "{n}"\n' for n in NAMES)
    (ask.out / "names-only.toml").write_text('[arm]\nname = "Basin keeper"\n' + names)
    text = json.dumps({"sessions": [truth(x) for x in sessions]}, indent=1)
    (ask.out / "truth.json").write_text(text)
    if ask.twins:
        spoilt = [(x, t) for x, t in zip(sessions, logs, strict=True) if x.fault is not None]
        twins = simulate([healthy(x) for x, _ in spoilt], ask.seed)
        for (x, t), twin in zip(spoilt, twins, strict=True):
            f, seen = x.fault, change(x, t, twin)
            if f is not None:
                said = "  ".join(f"{k} {v:.2f}" for k, v in seen.items())
                print(f"{x.file} {f.cause:19}{f.size:9}{NAMES[x.joint(f.joint)]:7} {said}")


if __name__ == "__main__":
    main()
