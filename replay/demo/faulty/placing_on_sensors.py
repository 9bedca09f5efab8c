"""Put faults on sensors and recorder: wrong currents, wrong angles, gaps."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from replay.demo.faulty.fault_spans import fault_share, one_joint, pick_pulse, pulses_of
from replay.demo.faulty.faults import (
    CLEAR_SHIFT,
    Fault,
    FaultWish,
    Scene,
)

Array = NDArray[np.float64]


def current_sensor(
    wish: FaultWish, flavour: str, scene: Scene, rng: np.random.Generator
) -> Fault | None:
    """Put an offset, a gain or spikes on a current sensor."""
    pulse = pick_pulse(pulses_of(wish, scene, least_s=6.0, slowest=0.02), rng)
    if pulse is None:
        return None
    j, typical = pulse.joint, float(scene.typical_a[pulse.joint])
    start = float(pulse.start_s + rng.uniform(0.1, 0.5) * pulse.ramp_s)
    sign = float(rng.choice([-1.0, 1.0]))
    if flavour == "stuck":
        start = pulse.start_s + 0.5 * pulse.ramp_s
        lasts = float(rng.uniform(5.0, 15.0) if wish.grade == "clear" else rng.uniform(2.5, 3.5))
        size, unit = lasts, "s"
    elif flavour == "spikes":
        lasts = float(rng.uniform(5.0, 25.0))
        size = typical * (rng.uniform(1.5, 4.0) if wish.grade == "clear" else rng.uniform(0.7, 1.0))
        unit = "A"
    else:
        lasts = float(rng.uniform(40.0, 200.0))
        size = CLEAR_SHIFT * fault_share(wish, rng)
        if flavour == "offset":
            size, unit = sign * size * typical, "A"
        else:
            size, unit = max(sign * size, -0.8), ""
    return Fault(
        "current-sensor",
        flavour,
        wish.grade,
        j,
        start,
        min(start + lasts, scene.end_s),
        float(size),
        unit,
        detail=float(rng.integers(3, 9)),
    )


def angle_sensor(
    wish: FaultWish, flavour: str, scene: Scene, rng: np.random.Generator
) -> Fault | None:
    """Let an angle jump, drift or freeze."""
    least = 6.0 if flavour == "stuck" else 3.0
    pulse = pick_pulse(pulses_of(wish, scene, least_s=least, slowest=0.1), rng)
    if pulse is None:
        return None
    sign = float(rng.choice([-1.0, 1.0]))
    start = pulse.start_s + 0.7 * pulse.ramp_s
    if flavour == "stuck":
        lasts = float(rng.uniform(5.0, 15.0) if wish.grade == "clear" else rng.uniform(2.5, 3.5))
        size, unit = lasts, "s"
    else:
        size, unit = sign * 1.0 * fault_share(wish, rng, 6.0), "deg"
        # A jump is over with the next sample; what it shifted stays shifted.
        lasts = 1.0 / scene.rate_hz if flavour == "jump" else float(rng.uniform(10.0, 40.0))
        start = float(start + rng.uniform(0.0, 0.5) * pulse.cruise_s)
    return Fault(
        "angle-sensor",
        flavour,
        wish.grade,
        pulse.joint,
        start,
        min(start + lasts, scene.end_s),
        size,
        unit,
    )


def gap(wish: FaultWish, flavour: str, scene: Scene, rng: np.random.Generator) -> Fault | None:
    """Leave a hole in the log."""
    lasts = float(rng.uniform(5.5, 20.0) if wish.grade == "clear" else rng.uniform(2.8, 3.6))
    start = float(rng.uniform(max(wish.after, 0.05), 0.9) * scene.end_s)
    j = -1 if flavour == "recorder" else one_joint(wish, rng)
    end = min(start + lasts, scene.end_s - 1.0)
    everything = float(rng.random() < 0.5)  # the whole joint, or its current alone
    return Fault("gap", flavour, wish.grade, j, start, end, end - start, "s", detail=everything)
