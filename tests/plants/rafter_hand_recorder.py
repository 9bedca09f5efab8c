"""The rafter hand's recorder: a session, its brakes' words, and what is kept of it all.

12.5 rows a second in its own milliseconds, turns of a 17-bit encoder at the link, no measured
speed, motor current in steps of 20 mA, winding temperature only when it has changed; a few rows
are lost on the way. The file's name tells the start.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import polars as pl
from numpy.typing import NDArray

from tests.plants import rafter_hand_crew as crew
from tests.plants import rafter_hand_drive as drive
from tests.plants import rafter_hand_faults as faults
from tests.plants.rafter_hand_body import NAMES, Array
from tests.plants.rafter_hand_crew import HZ

COUNTS = 131_072
CURRENT_STEP_A, CURRENT_NOISE_A = 0.02, 0.045
ANGLE_NOISE_DEG = 0.0015
WINDING_STEP_C = 0.5


@dataclass(frozen=True)
class Session:
    """One session to be run."""

    number: int
    role: str
    start: datetime
    base_b: bool
    ambient_c: float
    plan: crew.Plan
    fault: faults.Fault | None = None

    @property
    def file(self) -> str:
        """Return the log's name, which tells its start."""
        return f"rafter_{self.start:%Y%m%d_%H%M%S}.parquet"

    def joint(self, place: int) -> int:
        """Return which joint from end A sits at a place from the base."""
        return 6 - place if self.base_b else place


@dataclass
class Brakes:
    """When one session's brakes are shut; ``word`` is what their switches say at a row's end."""

    shut: NDArray[np.bool_]
    switch: NDArray[np.uint8]
    word: NDArray[np.bool_]


def brakes(x: Session, unit: dict[str, Array], rng: np.random.Generator) -> Brakes:
    """Follow the commands, each event with a delay of its own; a late release is later."""
    free, rows = x.plan.free, len(x.plan.mode)
    opens = np.zeros((rows, 7, 2), bool)
    switch = np.full((rows, 7, 2), drive.SUBSTEPS, np.uint8)
    cold = 1 + 0.006 * (20 - x.ambient_c)
    for j in range(7):
        change = np.flatnonzero(np.diff(free[:, j].astype(int), prepend=0))
        for row, until in zip(change, [*change[1:], rows], strict=True):
            delay = unit["release_s" if free[row, j] else "engage_s"][j]
            delay *= cold * np.exp(0.08 * rng.standard_normal())
            f, late = x.fault, 0.0
            if f and f.cause.startswith("late") and (f.joint, f.first) == (j, row):
                late = f.extra_s
            for k, wait in enumerate((delay, delay + late)):
                at = row * drive.SUBSTEPS + round(wait * HZ * drive.SUBSTEPS)
                if at // drive.SUBSTEPS < until:
                    switch[at // drive.SUBSTEPS, j, k] = at % drive.SUBSTEPS
                    opens[at // drive.SUBSTEPS + 1 :, j, k] = free[row, j]
    ends = ~opens ^ (switch < drive.SUBSTEPS)
    honest = int(not (x.fault and x.fault.cause.endswith("lying")))
    return Brakes(~opens[:, :, 1], switch[:, :, 1], ends[:, :, honest])


def record(x: Session, trace: drive.Trace, s: int, b: Brakes, seed: int) -> pl.DataFrame:
    """Return one log, as the recorder writes it."""
    rng = np.random.default_rng([seed, x.number, 2000])
    n, f = len(x.plan.mode), x.fault
    angle = np.degrees(trace.link[s, :n])
    angle += 0.008 * np.sin(np.radians(angle)) + ANGLE_NOISE_DEG * rng.standard_normal((n, 7))
    amps = trace.current_a[s, :n] * (1 + 0.004 * rng.standard_normal((n, 7)))
    amps += 0.015 * np.sin(np.arange(7) * 2.4 + 1) + CURRENT_NOISE_A * rng.standard_normal((n, 7))
    warm = trace.winding_c[s, :n] + 0.15 * rng.standard_normal((n, 7))
    if f is not None:
        j, span = f.joint, slice(f.first, f.last + 1)
        if f.cause == "current-offset":
            amps[span, j] += f.value
        elif f.cause == "current-gain":
            amps[span, j] *= 1 + f.value
        elif f.cause == "angle-jump":
            angle[span, j] += f.value
        elif f.cause == "angle-stuck":
            angle[span, j] = angle[f.first - 1, j]
    clock = np.arange(n) / HZ * (1 + 2e-5 * rng.standard_normal())
    clock += np.abs(0.003 * rng.standard_normal(n)) + np.where(rng.random(n) < 0.004, 0.03, 0)
    kept = np.ones(n, bool)
    for _ in range(int(rng.integers(2, 8))):
        at = int(rng.integers(200, n - 20))
        kept[at : at + int(rng.integers(1, 9))] = False
    table: dict[str, object] = {
        "t_ms": np.round(clock * 1000, 1),
        "socketed": np.full(n, "lower" if x.base_b else "upper"),
        "mode": np.array(crew.MODES)[x.plan.mode],
        "in_hand_g": np.round(x.plan.said_kg * 1000).astype(np.int64),
    }
    for j in sorted(range(7), key=x.joint):
        name = NAMES[x.joint(j)]
        table[f"{name}/turns"] = np.round(angle[:, j] / 360 * COUNTS) / COUNTS
        table[f"{name}/turns_set"] = np.round(np.degrees(trace.set_angle[s, :n, j]) / 360, 6)
        table[f"{name}/speed_set"] = np.round(np.radians(x.plan.asked_deg_s[:, j]), 5)
        table[f"{name}/amps"] = np.round(np.round(amps[:, j] / CURRENT_STEP_A) * CURRENT_STEP_A, 2)
        table[f"{name}/hold_ask"] = np.where(x.plan.free[:, j], "FREE", "CLAMP")
        table[f"{name}/hold"] = np.where(b.word[:, j], "CLAMPED", "FREE")
        table[f"{name}/winding"] = on_change(warm[:, j])
    return pl.DataFrame(table).filter(pl.Series(kept))


def on_change(warm: Array) -> pl.Series:
    """Return a temperature as it is sent: when it has left the last one by a step."""
    out: list[float | None] = [None] * len(warm)
    last = -1e9
    for n, value in enumerate(warm.tolist()):
        if abs(value - last) >= WINDING_STEP_C or n % 750 == 0:
            last = round(value, 1)
            out[n] = last
    return pl.Series(out, dtype=pl.Float64)


def map_file() -> str:
    """Return the log map."""
    return (
        f'[log]\nlayout = "wide"\njoints = {json.dumps(NAMES)}\nnumbering = "A"\n'
        '[time]\ncolumn = "t_ms"\nformat = "milliseconds"\nstart_from = "name"\n'
        'start_format = "%Y%m%d_%H%M%S"\n'
        '[joint.angle]\ncolumn = "{name}/turns"\nunit = "rev"\n'
        '[joint.commanded_angle]\ncolumn = "{name}/turns_set"\nunit = "rev"\n'
        '[joint.commanded_rate]\ncolumn = "{name}/speed_set"\nunit = "rad/s"\n'
        '[joint.current]\ncolumn = "{name}/amps"\nunit = "A"\n'
        '[joint.temperature]\ncolumn = "{name}/winding"\nunit = "degC"\n'
        '[joint.brake_command]\ncolumn = "{name}/hold_ask"\n'
        'words = { CLAMP = "engaged", FREE = "released" }\n'
        '[joint.brake_state]\ncolumn = "{name}/hold"\n'
        'words = { CLAMPED = "engaged", FREE = "released" }\n'
        '[session.payload]\ncolumn = "in_hand_g"\nunit = "g"\n'
        '[session.base_end]\ncolumn = "socketed"\nwords = { upper = "A", lower = "B" }\n'
        '[session.phase]\ncolumn = "mode"\n'
    )
