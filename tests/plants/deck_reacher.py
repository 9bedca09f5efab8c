"""An arm on a ship's deck: "Larkspur", invented, seven joints, bolted to a deck that rolls.

What is odd about it: the deck leans, rolls, pitches and heaves with the sea, and gusts push the
arm; nothing in the log tells of either, so healthy currents swing with the waves, most where the
arm reaches far, and held joints give a little with them. Slew, whose axis stands upright, feels
weight only by the ship's list. Drives are motor, belt and strain-wave gear with a spring between
motor and link: angles are the link's, rates the motor's. Friction has a Stribeck part, a part in
the torque carried, grease that thins with warmth and rate, and ripple twice a turn of the wave;
magnets weaken as a joint warms from holding its load. Frames of 8 to 45 kg are carried, their
mass written in by hand. Motion is by hand controller, some hours of a working year.

``python -m tests.plants.deck_reacher OUT`` writes logs, map, arm files and truth.
"""

from __future__ import annotations

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

import numpy as np

from tests.plants.deck_reacher_body import JOINTS
from tests.plants.deck_reacher_crew import Mission, plan
from tests.plants.deck_reacher_drive import make_unit, simulate
from tests.plants.deck_reacher_faults import CAUSES, KINDS, SIZES, place_fault
from tests.plants.deck_reacher_hands import HZ
from tests.plants.deck_reacher_recorder import write_arm, write_log, write_map

MINUTES = {"training": (16.0, 32.0), "clean": (17.0, 29.0), "fault": (15.0, 27.0)}
BATCH = 42


def campaign(
    seed: int, training: int, clean: int, faults: int, share: float = 1.0
) -> list[Mission]:
    """Plan all sessions in the order of their days; ``share`` shortens them all."""
    g = np.random.default_rng([seed, 1])
    pairs = [("fault", c, z) for z in SIZES for c in CAUSES]
    rest = [("clean", "", "")] * clean + [pairs[k % len(pairs)] for k in range(faults)]
    roles = [("training", "", "")] * training + [rest[k] for k in g.permutation(len(rest))]
    counts = {"training": training, "clean": clean, "fault": faults}
    lengths = {
        role: iter(g.permutation(np.linspace(*MINUTES[role], counts[role])) * share)
        for role in counts
    }
    when, out = datetime(2043, 4, 4, 8, 0), []
    for index, (role, cause, size) in enumerate(roles):
        when += timedelta(days=int(g.integers(1, 8)), minutes=int(g.integers(-120, 120)))
        minutes = float(next(lengths[role]))
        for attempt in range(60):
            own = 1_000_003 * seed + 1009 * index + attempt
            mission = plan(own, when, minutes, role)
            mission.fault = place_fault(mission, cause, size, own) if cause else None
            if not cause or mission.fault:
                break
        else:
            raise ValueError(f"no session of {minutes:.0f} minutes was found that can show {cause}")
        out.append(mission)
    return out


def truth_of(m: Mission, name: str) -> dict[str, object]:
    """Return a session's entry in the truth file."""

    def iso(tick: int) -> str:
        return (m.start + timedelta(seconds=tick / HZ)).isoformat(timespec="milliseconds") + "Z"

    listed = []
    if f := m.fault:
        what = {"joint": JOINTS[f.joint], "cause": f.cause, "kind": KINDS[f.cause][0]}
        listed.append({**what, "start": iso(f.start), "end": iso(f.end), "size": f.size})
    head = {"file": name, "role": m.role, "start": iso(0), "minutes": round(m.ticks / HZ / 60, 2)}
    return {**head, "faults": listed}


def log_name(m: Mission) -> str:
    """Return where a session's log stands under OUT."""
    return f"logs/larkspur-{m.start:%Y%m%d-%H%M}.csv"


def write_batch(out: Path, seed: int, missions: list[Mission]) -> None:
    """Run some sessions side by side and write their logs."""
    unit = make_unit(seed)
    for m, true in zip(missions, simulate(missions, unit), strict=True):
        write_log(out / log_name(m), m, true, unit)


def write(
    out: Path, seed: int, missions: list[Mission], processes: int = 1, batch: int = BATCH
) -> None:
    """Write a campaign: logs, map, arm files, truth."""
    (out / "logs").mkdir(parents=True, exist_ok=True)
    write_map(out / "map.toml")
    write_arm(out)
    order = sorted(missions, key=lambda m: m.ticks)
    batches = [order[k : k + batch] for k in range(0, len(order), batch)]
    if processes > 1:
        with ProcessPoolExecutor(processes) as pool:
            list(pool.map(partial(write_batch, out, seed), batches))
    else:
        for each in batches:
            write_batch(out, seed, each)
    truth = [truth_of(m, log_name(m)) for m in missions]
    (out / "truth.json").write_text(json.dumps({"sessions": truth}, indent=1) + "\n")


def main() -> None:
    """Write a campaign."""
    ask = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    ask.add_argument("out", type=Path)
    for name, default in (("seed", 1), ("training", 12), ("clean", 12), ("faults", 39)):
        ask.add_argument(f"--{name}", type=int, default=default)
    ask.add_argument("--processes", type=int, default=2)
    a = ask.parse_args()
    missions = campaign(a.seed, a.training, a.clean, a.faults)
    write(a.out, a.seed, missions, a.processes)


if __name__ == "__main__":
    main()
