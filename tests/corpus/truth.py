"""What an arm did, as plain arrays: the values that a log is made from and held against."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from tests.start import DAY_NS, START_NS

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Truth:
    """Channels in our units by quantity, one array a joint."""

    ns: npt.NDArray[np.int64]
    channels: dict[str, list[Floats]]
    brakes: dict[str, list[npt.NDArray[np.bool_]]] = field(default_factory=dict)


@dataclass
class Case:
    """A log of the corpus: its files, the map that is right, and the values it was made from."""

    name: str
    files: list[Path]
    log_map: str
    joints: list[str]
    truth: Truth
    lines: dict[tuple[str, str], object]
    """Lines that a proposal should have: ``(table, key)`` to columns, unit or format."""
    tolerance: float = 1e-6
    sessions: int = 1
    stated: bool = True
    """Whether the log can be dated from itself and the map, so that instants are compared."""


def motion(seed: int, joints: int = 3, rows: int = 120, hz: float = 10.0) -> Truth:
    """Return a move of some joints: angles with an encoder's scatter, rates, currents, brakes."""
    rng = np.random.default_rng(seed)
    t = np.arange(rows) / hz
    ns = START_NS + seed * DAY_NS + np.round(t * 1e9).astype(np.int64)
    out: dict[str, list[Floats]] = {
        q: []
        for q in (
            "angle_deg", "angle_cmd_deg", "rate_deg_s", "rate_cmd_deg_s", "current_a",
            "current_target_a", "temperature_c", "torque_nm",
        )
    }  # fmt: skip
    brakes: dict[str, list[npt.NDArray[np.bool_]]] = {"brake_engaged": [], "brake_engage_cmd": []}
    for n in range(joints):
        held = t < 2.0
        swing, turn = rng.uniform(30, 80), rng.uniform(0.35, 0.6)
        phase = np.where(held, 0.0, turn * (t - 2.0))
        angle = 10.0 * n + swing * (1 - np.cos(phase))
        rate = np.where(held, 0.0, swing * turn * np.sin(phase))
        command = np.round(rate, 1)
        current = 0.6 * np.sign(rate) + 0.02 * rate + 0.5
        out["angle_deg"].append(angle + rng.normal(0, 1e-3, rows))
        out["angle_cmd_deg"].append(np.round(angle, 2))
        out["rate_deg_s"].append(rate + rng.normal(0, 0.02, rows))
        out["rate_cmd_deg_s"].append(command)
        out["current_a"].append(current + rng.normal(0, 0.05, rows))
        out["current_target_a"].append(current.copy())
        out["temperature_c"].append(30 + n + 0.01 * t + rng.normal(0, 0.01, rows))
        out["torque_nm"].append(12 * current + rng.normal(0, 0.3, rows))
        brakes["brake_engaged"].append(held.copy())
        brakes["brake_engage_cmd"].append(t < 1.7)
    return Truth(ns, out, brakes)
