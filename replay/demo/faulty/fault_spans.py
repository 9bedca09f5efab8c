"""Where in a session a fault may be put: pulses of motion, spans of rest."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from replay.demo import heron
from replay.demo.faulty.faults import (
    FaultWish,
    Scene,
)
from replay.demo.manoeuvres import Pulse

Array = NDArray[np.float64]


# places for faults -----------------------------------------------------------
def fault_share(wish: FaultWish, rng: np.random.Generator, most: float = 2.5) -> float:
    """Return a factor on the limit of *clear*: from 1 up, or about half."""
    drawn = rng.uniform(1.05, most) if wish.grade == "clear" else rng.uniform(0.5, 0.7)
    return float(drawn) if wish.strength is None else wish.strength


def pulses_of(
    wish: FaultWish, scene: Scene, *, least_s: float, slowest: float = 0.0
) -> list[Pulse]:
    """Return pulses long and fast enough, of the joint that was wished for."""
    return [
        p
        for p in scene.schedule.pulses
        if (wish.joint is None or heron.NAMES[p.joint] == wish.joint)
        and p.start_s >= wish.after * scene.end_s
        and p.cruise_s + p.ramp_s >= least_s
        and abs(p.rate_deg_s) >= slowest
    ]


def pick_pulse(pulses: list[Pulse], rng: np.random.Generator) -> Pulse | None:
    """Return one of the pulses by chance; None where there is none."""
    return pulses[int(rng.integers(len(pulses)))] if pulses else None


def one_joint(wish: FaultWish, rng: np.random.Generator) -> int:
    """Return the index of the joint that was wished for, else of one by chance."""
    return int(rng.integers(heron.JOINTS)) if wish.joint is None else heron.NAMES.index(wish.joint)


def spans_of(mask: NDArray[np.bool_], dt: float) -> list[tuple[float, float]]:
    """Return the runs of a mask as (start, end) in seconds."""
    edges = np.diff(np.concatenate([[0], mask.astype(np.int8), [0]]))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    return [(float(a * dt), float(b * dt)) for a, b in zip(starts, ends, strict=True)]
