"""The rafter hand: an invented arm that hangs from the rafters of a hall, for blind trials.

``python -m tests.plants.rafter_hand OUT`` writes logs, map, arm files and truth. Its physics
is in ``rafter_hand_body`` and ``rafter_hand_drive``, what its crew does in
``rafter_hand_crew``, its faults in ``rafter_hand_faults``, its recorder in
``rafter_hand_recorder``; here is the campaign. Nothing of it was tuned on what the detector finds.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from tests.plants import rafter_hand_crew as crew
from tests.plants import rafter_hand_drive as drive
from tests.plants import rafter_hand_faults as faults
from tests.plants.rafter_hand_body import NAMES, PITCH
from tests.plants.rafter_hand_crew import HZ
from tests.plants.rafter_hand_recorder import CURRENT_NOISE_A, Session, brakes, map_file, record


def campaign(seed: int) -> list[Session]:
    """Return 12 sessions for training, then 14 clean ones among 39 with one fault each."""
    rng = np.random.default_rng(seed)
    known = crew.programs(seed)
    told = [(c, s) for c in faults.CAUSES for s in faults.SIZES]
    later: list[tuple[str, str] | None] = [*told, *[None] * 14]
    order = [later[i] for i in rng.permutation(len(later))]
    out, at = [], datetime(2037, 2, 3, 6, 40, tzinfo=UTC)
    for n, what in enumerate([None] * 12 + order):
        at += timedelta(hours=float(rng.uniform(3, 60)), seconds=int(rng.integers(60)))
        at = at.replace(microsecond=0)
        base_b = bool(rng.random() < 0.35)
        ambient = 17 + 6 * np.sin(2 * np.pi * (at.timetuple().tm_yday - 100) / 365)
        ambient = float(np.clip(ambient + 3 * rng.standard_normal(), 7, 31))
        rows = int(rng.uniform(14.6, 17.0) * 60 * HZ)
        for go in range(40):
            own = np.random.default_rng([seed, n, go])
            plan = crew.Day(own, known, rows).plan()
            fault = None if what is None else faults.choose(*what, plan, base_b, own)
            if (what is None or fault is not None) and len(plan.mode) <= 17.8 * 60 * HZ:
                break
        else:
            raise RuntimeError(f"no session gives an occasion for {what}")
        role = "fault" if what else "clean" if n >= 12 else "training"
        out.append(Session(n, role, at, base_b, ambient, plan, fault))
    return out


def simulate(sessions: list[Session], seed: int) -> list[pl.DataFrame]:
    """Run sessions side by side and return what the recorder keeps of them."""
    built = drive.units(seed)
    base_b = np.array([x.base_b for x in sessions])
    turned = base_b[:, None]
    unit = {k: np.where(turned, v[::-1], v) for k, v in vars(built).items()}
    count, rows = len(sessions), max(len(x.plan.mode) for x in sessions)
    shape = (count, rows, 7)
    r = drive.Run(
        unit, base_b, np.array([x.plan.start_deg for x in sessions]),
        np.zeros(shape, np.float32), np.zeros(shape, bool), np.ones(shape, bool),
        np.full(shape, drive.SUBSTEPS, np.uint8), np.zeros((count, rows)), np.zeros((count, rows)),
        np.array([x.ambient_c for x in sessions]), np.ones((count, 7)), np.zeros((count, 7)),
    )  # fmt: skip
    held = []
    for s, x in enumerate(sessions):
        rng = np.random.default_rng([seed, x.number, 1000])
        n, plan = len(x.plan.mode), x.plan
        b = brakes(x, {k: v[s] for k, v in unit.items()}, rng)
        held.append(b)
        r.asked[s, :n] = np.radians(plan.asked_deg_s)
        r.powered[s, :n] = plan.free
        for k in (1, 2):  # the servo holds on until the brake has closed
            r.powered[s, k:n] |= plan.free[:-k]
        r.shut[s, :n], r.switch[s, :n] = b.shut, b.switch
        r.hung[s, :n], r.declared[s, :n] = plan.hung_kg, plan.said_kg
        wear = np.exp(0.05 * rng.standard_normal(7) + 0.03 * rng.standard_normal())
        r.standing[s] = wear
        r.hose_nm[s] = np.where(PITCH, 1.0, 1.6) * rng.uniform(0.5, 1.5, 7)
        if x.fault is not None:
            f = x.fault
            if f.cause == "payload":
                part = slice(f.first, f.last)
                top = max(float(plan.hung_kg[part].max()), 1e-9)
                r.hung[s, part] += f.value * plan.hung_kg[part] / top
            for row, name, value in faults.events(f, float(unit["coulomb"][s, f.joint])):
                r.events.setdefault(row, []).append((name, s, f.joint, value))
    trace = drive.run(r)
    return [record(x, trace, s, held[s], seed) for s, x in enumerate(sessions)]


def truth(x: Session) -> dict[str, object]:
    """Return a session's entry in truth.json."""
    told, f = [], x.fault
    if f is not None:
        first, last = (x.start + timedelta(seconds=r / HZ) for r in (f.first, f.last))
        told = [{"joint": NAMES[x.joint(f.joint)], "cause": f.cause, "kind": f.kind,
                 "start": first.isoformat(), "end": last.isoformat(), "size": f.size}]  # fmt: skip
    return {
        "file": x.file, "role": x.role, "start": x.start.isoformat(),
        "minutes": round(len(x.plan.mode) / HZ / 60, 2),
        "declared_load": bool((x.plan.said_kg > 0).any()), "faults": told,
    }  # fmt: skip


def healthy(x: Session) -> Session:
    """Return the twin without its fault."""
    return replace(x, fault=None)


def change(x: Session, log: pl.DataFrame, twin: pl.DataFrame) -> dict[str, float]:
    """Return what a fault changes of its joint in its span, in the noise of one reading."""
    if x.fault is None:
        raise ValueError("the session has no fault")
    name = NAMES[x.joint(x.fault.joint)]
    span = pl.col("t_ms").is_between(x.fault.first / HZ * 1000, (x.fault.last + 8) / HZ * 1000)
    a, b = log.filter(span), twin.filter(span)
    amps = (a[f"{name}/amps"] - b[f"{name}/amps"]).to_numpy()
    angle = (a[f"{name}/turns"] - b[f"{name}/turns"]).to_numpy() * 360
    return {
        "rows": len(a),
        "current": float(np.sqrt(np.mean(amps**2)) / CURRENT_NOISE_A),
        "mean_a": float(np.mean(np.abs(np.convolve(amps, np.ones(6) / 6, "same")))),
        "angle_deg": float(np.sqrt(np.mean(angle**2))),
        "word_rows": float((a[f"{name}/hold"] != b[f"{name}/hold"]).sum()),
    }


def main() -> None:
    """Write a campaign."""
    parser = argparse.ArgumentParser(description="write a campaign of the rafter hand")
    parser.add_argument("out", type=Path)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--twins", action="store_true", help="print what each fault changes")
    ask = parser.parse_args()
    (ask.out / "logs").mkdir(parents=True, exist_ok=True)
    sessions = campaign(ask.seed)
    logs = simulate(sessions, ask.seed)
    for x, table in zip(sessions, logs, strict=True):
        table.write_parquet(ask.out / "logs" / x.file)
    (ask.out / "map.toml").write_text(map_file())
    (ask.out / "arm.toml").write_text(drive.arm_file())
    names = "".join(f'\n[[joints]]\nname = "{n}"\n' for n in NAMES)
    (ask.out / "names-only.toml").write_text('[arm]\nname = "Rafter hand"\n' + names)
    text = json.dumps({"sessions": [truth(x) for x in sessions]}, indent=1)
    (ask.out / "truth.json").write_text(text)
    if ask.twins:
        spoilt = [(x, t) for x, t in zip(sessions, logs, strict=True) if x.fault is not None]
        twins = simulate([healthy(x) for x, _ in spoilt], ask.seed)
        for (x, t), twin in zip(spoilt, twins, strict=True):
            f, seen = x.fault, change(x, t, twin)
            if f is not None:
                said = "  ".join(f"{k} {v:.3f}" for k, v in seen.items())
                print(f"{x.file} {f.cause:19}{f.size:9}{NAMES[x.joint(f.joint)]:7} {said}")


if __name__ == "__main__":
    main()
