"""An arm that paces a maintenance gantry in a cold hall: "Sedge", invented, seven joints, 3-1-3.

What is odd about it: either end stands in a socket and is the base, under gravity; its yaw joints
have a worm behind the planetary gear, which lose far more current backwards than forwards; grease
starts at a few degrees and thins as it is churned; magnets weaken with the coil's warmth; drives
run in over the first months; a person leans on the tip in some sessions; the recorder writes
angles by hundredths of a degree where they change, and no rates. Motion is by hand controller.

``python -m tests.plants.gantry_pacer OUT`` writes logs, map, arm files and truth.
"""

from __future__ import annotations

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

import numpy as np

from tests.plants.gantry_pacer_body import JOINTS
from tests.plants.gantry_pacer_crew import HZ, Mission, plan
from tests.plants.gantry_pacer_drive import make_unit
from tests.plants.gantry_pacer_faults import KINDS, PAIRS, place_fault
from tests.plants.gantry_pacer_recorder import write_arm, write_log, write_map
from tests.plants.gantry_pacer_run import simulate

MINUTES = {"training": (17.0, 30.0), "clean": (16.0, 30.0), "fault": (15.0, 25.0)}
BATCH = 26
LOCAL = timedelta(hours=1)


def campaign(
    seed: int, training: int, clean: int, faults: int, share: float = 1.0
) -> list[Mission]:
    """Plan all sessions in the order of their days; ``share`` shortens them all."""
    g = np.random.default_rng([seed, 1])
    rest = [("clean", "", "")] * clean
    rest += [("fault", *PAIRS[k % len(PAIRS)]) for k in range(faults)]
    roles = [("training", "", "")] * training + [rest[k] for k in g.permutation(len(rest))]
    counts = {"training": training, "clean": clean, "fault": faults}
    lengths = {
        role: iter(g.permutation(np.linspace(*MINUTES[role], counts[role])) * share)
        for role in counts
    }
    first = datetime(2051, 2, 6)
    day, out = 0, []
    for index, (role, cause, size) in enumerate(roles):
        day += int(g.integers(4, 13) if role == "training" else g.integers(1, 7))
        when = first + timedelta(days=day, minutes=int(g.integers(7 * 60, 19 * 60)))
        minutes = float(next(lengths[role]))
        for attempt in range(80):
            own = 1_000_003 * seed + 1009 * index + attempt
            mission = plan(own, when, minutes, role, float(day))
            mission.fault = place_fault(mission, cause, size, own) if cause else None
            if not cause or mission.fault:
                break
        else:
            raise ValueError(f"no session of {minutes:.0f} minutes was found that can show {cause}")
        out.append(mission)
    return out


def truth_of(m: Mission, name: str) -> dict[str, object]:
    """Return a session's entry in the truth file, in UTC."""

    def iso(tick: int) -> str:
        at = m.start - LOCAL + timedelta(seconds=tick / HZ)
        return at.isoformat(timespec="milliseconds") + "Z"

    listed = []
    if f := m.fault:
        joint = JOINTS[f.joint] if f.joint >= 0 else ""
        what = {"joint": joint, "cause": f.cause, "kind": KINDS[f.cause][0]}
        listed.append({**what, "start": iso(f.start), "end": iso(f.end), "size": f.size})
    head = {"file": name, "role": m.role, "start": iso(0), "minutes": round(m.ticks / HZ / 60, 2)}
    return {**head, "faults": listed}


def log_name(m: Mission) -> str:
    """Return where a session's log stands under OUT."""
    return f"logs/sedge-{m.start:%Y%m%d-%H%M}.csv"


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
    for name, default in (("seed", 1), ("training", 13), ("clean", 24), ("faults", 39)):
        ask.add_argument(f"--{name}", type=int, default=default)
    ask.add_argument("--processes", type=int, default=2)
    a = ask.parse_args()
    missions = campaign(a.seed, a.training, a.clean, a.faults)
    write(a.out, a.seed, missions, a.processes)


if __name__ == "__main__":
    main()
