"""Where in a session a fault would show, and how large it is made there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from replay.demo import bodies, heron
from replay.demo.faulty.fault_spans import fault_share, pick_pulse, pulses_of
from replay.demo.faulty.faults import (
    CLEAR_SHIFT,
    FLAVOURS,
    KNOCK_EVERY_DEG,
    MARGIN_S,
    Fault,
    FaultWish,
    Scene,
)
from replay.demo.faulty.placing_on_brakes import brake_drag, brake_slip, late_release
from replay.demo.faulty.placing_on_sensors import angle_sensor, current_sensor, gap

Array = NDArray[np.float64]


def place(wishes: tuple[FaultWish, ...], scene: Scene, rng: np.random.Generator) -> list[Fault]:
    """Find room for each wish; a wish with no room in this session is left out."""
    placed: list[Fault] = []
    for wish in wishes:
        for _ in range(40):
            flavour = wish.flavour or str(rng.choice(FLAVOURS[wish.kind]))
            found = _PLACERS[wish.kind](wish, flavour, scene, rng)
            if found is None or found.start_s < wish.after * scene.end_s:
                continue
            # To the millisecond, as truth writes it.
            fault = replace(
                found, start_s=round(float(found.start_s), 3), end_s=round(float(found.end_s), 3)
            )
            if fault.kind == "load" or all(_apart(fault, other) for other in placed):
                placed.append(fault)
                break
    return sorted(placed, key=lambda f: f.start_s)


def _apart(one: Fault, other: Fault) -> bool:
    if other.kind == "load":
        return not {one.joint, *one.also} & {other.joint, *other.also}
    return one.start_s > other.end_s + MARGIN_S or other.start_s > one.end_s + MARGIN_S


def _friction(
    wish: FaultWish, flavour: str, scene: Scene, rng: np.random.Generator
) -> Fault | None:
    pulse = pick_pulse(pulses_of(wish, scene, least_s=5.0, slowest=0.02), rng)
    if pulse is None:
        return None
    start = pulse.start_s + pulse.ramp_s * 0.8
    own = [p for p in scene.schedule.pulses if p.joint == pulse.joint and p.end_s > start]
    if sum(p.end_s - max(p.start_s, start) for p in own) < 20.0:
        return None
    enough = [
        p.end_s
        for k, p in enumerate(own)
        if sum(q.end_s - max(q.start_s, start) for q in own[: k + 1]) >= 20.0
    ]
    end = scene.end_s if rng.random() < 0.5 else float(rng.choice(enough))
    size = CLEAR_SHIFT * scene.typical_a[pulse.joint] * fault_share(wish, rng)
    growth = float(rng.uniform(15.0, 60.0)) if flavour == "growth" else 0.0
    return Fault("friction", flavour, wish.grade, pulse.joint, start, end, size, "A", detail=growth)


def _stick_slip(
    wish: FaultWish, flavour: str, scene: Scene, rng: np.random.Generator
) -> Fault | None:
    slow = [p for p in pulses_of(wish, scene, least_s=6.0) if abs(p.rate_deg_s) < 0.9]
    pulse = pick_pulse(slow, rng)
    if pulse is None:
        return None
    size = CLEAR_SHIFT * scene.typical_a[pulse.joint] * fault_share(wish, rng, 3.0)
    start, end = pulse.start_s + 0.6 * pulse.ramp_s, pulse.end_s - 0.6 * pulse.ramp_s
    return Fault(
        "stick-slip",
        flavour,
        wish.grade,
        pulse.joint,
        start,
        end,
        size,
        "A",
        detail=float(rng.uniform(0.8, 2.2)),
    )


def _stall(wish: FaultWish, flavour: str, scene: Scene, rng: np.random.Generator) -> Fault | None:
    pulse = pick_pulse(pulses_of(wish, scene, least_s=6.0, slowest=0.05), rng)
    if pulse is None:
        return None
    start = pulse.start_s + pulse.ramp_s + 0.3 * pulse.cruise_s
    pull = contact_direction(scene, start)
    moving = [p.joint for p in scene.schedule.pulses if p.start_s <= start <= p.end_s - p.ramp_s]
    worst = max(moving, key=lambda j: abs(pull[j]))
    if abs(pull[worst]) < 0.15 or (wish.joint and heron.NAMES[worst] != wish.joint):
        return None
    share = rng.uniform(2.0, 9.0) if wish.grade == "clear" else rng.uniform(0.5, 1.0)
    share = share if wish.strength is None else wish.strength
    size = float(CLEAR_SHIFT * share * scene.typical_a[worst])
    row = int(start / scene.schedule.dt)
    felt = np.abs(pull / pull[worst]) * size
    also = tuple(
        j
        for j in range(heron.JOINTS)
        if j != worst and felt[j] > 0.08 * size and not scene.response.engaged[row, j]
    )
    lost = float(rng.uniform(0.6, 1.0) if wish.grade == "clear" else rng.uniform(0.25, 0.4))
    return Fault(
        "stall",
        flavour,
        wish.grade,
        worst,
        start,
        pulse.end_s - 0.5 * pulse.ramp_s,
        size,
        "A",
        also,
        detail=lost,
    )


def contact_direction(scene: Scene, at_s: float) -> Array:
    """Return the share of a contact force that each joint feels, shape (7,).

    The force opposes the free tip's motion at that moment; 1 N at the tip
    gives this many N m at each joint, positive where the motor must push.
    """
    row = int(at_s / scene.schedule.dt)
    from_b = bool(scene.schedule.base_b[row])
    levers = bodies.tip_levers(scene.response.angle_deg[row], "B" if from_b else "A")
    velocity = levers.T @ scene.response.rate_deg_s[row]
    speed = float(np.linalg.norm(velocity))
    if speed < 1e-9:
        return np.zeros(heron.JOINTS)
    return np.asarray(levers @ (velocity / speed), dtype=np.float64)


def _load(wish: FaultWish, flavour: str, scene: Scene, rng: np.random.Generator) -> Fault | None:
    payload = scene.schedule.payload_kg
    if payload.max() <= 0:
        return None
    held = payload > 0
    if wish.grade == "clear":
        low, high = rng.uniform(0.3, 0.5), rng.uniform(2.0, 2.8)
    else:
        low, high = rng.uniform(0.68, 0.75), rng.uniform(1.34, 1.45)
    factor = float(low if flavour == "declared too light" else high)
    load = np.where(
        held[:, None] & ~scene.response.engaged & (np.abs(scene.response.rate_deg_s) > 0.005),
        np.abs(scene.response.load_nm),
        0.0,
    )
    reach = np.quantile(load, 0.995, axis=0)
    worst = int(np.argmax(reach))
    t = scene.schedule.t
    pulses = [p for p in scene.schedule.pulses if held[int(p.start_s / scene.schedule.dt)]]
    if not pulses:
        return None
    also = tuple(j for j in range(heron.JOINTS) if j != worst and reach[j] > 0.2 * reach[worst])
    start, end = pulses[0].start_s, min(pulses[-1].end_s, float(t[held][-1]))
    true = float(payload.max())
    size = true * (1.0 - factor)
    return Fault("load", flavour, wish.grade, worst, start, end, size, "kg", also, detail=factor)


def _unusual(wish: FaultWish, flavour: str, scene: Scene, rng: np.random.Generator) -> Fault | None:
    least = 8.0 if flavour == "hum" else 6.0
    pulses = pulses_of(wish, scene, least_s=least, slowest=0.05)
    if flavour == "knock":
        pulses = [p for p in pulses if abs(p.travel_deg) > 1.6 * KNOCK_EVERY_DEG]
    pulse = pick_pulse(pulses, rng)
    if pulse is None:
        return None
    size = CLEAR_SHIFT * scene.typical_a[pulse.joint] * fault_share(wish, rng, 3.0)
    size *= 2.0 if flavour == "knock" else 1.0  # short: the loop smooths it
    hertz = float(rng.uniform(0.9, 2.0))
    return Fault(
        "unusual",
        flavour,
        wish.grade,
        pulse.joint,
        pulse.start_s + 0.5 * pulse.ramp_s,
        pulse.end_s - 0.5 * pulse.ramp_s,
        size,
        "A",
        detail=hertz,
    )


_PLACERS = {
    "friction": _friction,
    "brake-drag": brake_drag,
    "brake-slip": brake_slip,
    "late-release": late_release,
    "stick-slip": _stick_slip,
    "stall": _stall,
    "load": _load,
    "current-sensor": current_sensor,
    "angle-sensor": angle_sensor,
    "gap": gap,
    "unusual": _unusual,
}
