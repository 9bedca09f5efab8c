"""Put faults on brakes: drag, slip, late release."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from replay.demo import heron
from replay.demo.faulty.fault_spans import fault_share, one_joint, pick_pulse, pulses_of, spans_of
from replay.demo.faulty.faults import (
    CLEAR_SHIFT,
    Fault,
    FaultWish,
    Scene,
)

Array = NDArray[np.float64]


def brake_drag(
    wish: FaultWish, flavour: str, scene: Scene, rng: np.random.Generator
) -> Fault | None:
    """Put drag on a joint's brake, from a release on."""
    pulse = pick_pulse(pulses_of(wish, scene, least_s=5.0, slowest=0.02), rng)
    if pulse is None:
        return None
    block = next(b for b in scene.schedule.blocks if b.release_s <= pulse.start_s < b.engage_s)
    own = [
        p
        for p in scene.schedule.pulses
        if p.joint == pulse.joint and block.release_s <= p.start_s < block.engage_s
    ]
    size = CLEAR_SHIFT * scene.typical_a[pulse.joint] * fault_share(wish, rng, 3.5)
    # The brake rubs from its release, which shows from the first turn on.
    return Fault(
        "brake-drag", flavour, wish.grade, pulse.joint, own[0].start_s, own[-1].end_s, size, "A"
    )


def brake_slip(
    wish: FaultWish, flavour: str, scene: Scene, rng: np.random.Generator
) -> Fault | None:
    """Let a joint slip while its brake is engaged."""
    j = one_joint(wish, rng)
    rests = spans_of(scene.response.engaged[:, j], scene.schedule.dt)
    rests = [(a, b) for a, b in rests if b - a >= 3.0 and a >= wish.after * scene.end_s]
    if not rests:
        return None
    first, last = rests[int(rng.integers(len(rests)))]
    lasts = float(rng.uniform(1.5, min(12.0, last - first - 1.0)))
    start = float(rng.uniform(first + 0.5, last - lasts - 0.3))
    size = 0.5 * fault_share(wish, rng, 4.0)
    sign = float(rng.choice([-1.0, 1.0]))
    return Fault(
        "brake-slip", flavour, wish.grade, j, start, start + lasts, size, "deg", detail=sign
    )


def late_release(
    wish: FaultWish, flavour: str, scene: Scene, rng: np.random.Generator
) -> Fault | None:
    """Let a brake come free late, or say so late."""
    found = [
        r
        for r in scene.response.releases
        if (wish.joint is None or heron.NAMES[r[0]] == wish.joint)
        and r[2] >= wish.after * scene.end_s
    ]
    if not found:
        return None
    j, number, asked, freed = found[int(rng.integers(len(found)))]
    nominal = freed - asked
    times = float(rng.uniform(2.1, 7.0) if wish.grade == "clear" else rng.uniform(1.5, 1.8))
    times = times if wish.strength is None else 2.0 * wish.strength
    if wish.grade == "clear":
        times = max(times, 1.0 + 3.0 / (scene.rate_hz * nominal))
    elif (times - 1.0) * nominal * scene.rate_hz < 2.0:
        return None  # nobody could see it at this sampling rate
    delay = nominal * times
    return Fault(
        "late-release",
        flavour,
        wish.grade,
        j,
        asked,
        asked + delay,
        delay,
        "s",
        detail=float(number),
    )
