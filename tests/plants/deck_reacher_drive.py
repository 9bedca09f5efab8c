"""Larkspur's drives: motor, strain-wave gear, brake and friction; many sessions side by side.

Each joint is two masses with the gear's spring between them: the rotor (its friction, ripple and
brake sit there) and the link, which all joints share through the mass matrix. Coulomb friction,
brake and jam are impulses that can at most stop what they hold back, so a thing that stands,
stands. Springs are taken implicitly. The drive holds a place and a rate by the motor's own
pick-up; the angle in the log is the link's. Magnets weaken and grease thins as a joint warms.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.plants.deck_reacher_body import (
    Body,
    Deck,
    make_body,
    make_weather,
    mass_matrix,
    needed_torques,
    pose_of,
)
from tests.plants.deck_reacher_crew import HZ, Mission
from tests.plants.deck_reacher_faults import Bench, bench_for
from tests.plants.deck_reacher_hands import VMAX

Array = np.ndarray[Any, Any]

STEPS_A_TICK, POSE_TICKS, MATRIX_TICKS, FRICTION_STEPS = 4, 2, 4, 2
DT = 1.0 / (HZ * STEPS_A_TICK)
GEAR = np.array([320.0, 480.0, 240.0, 320.0, 160.0, 160.0, 100.0])
WAVE = np.array([160.0, 160.0, 120.0, 160.0, 80.0, 80.0, 100.0])  # the rest is a belt's
KT = np.array([0.44, 0.38, 0.29, 0.34, 0.156, 0.156, 0.12])  # Nm/A
ROTOR = np.array([2.9e-3, 1.3e-3, 1.04e-3, 1.17e-3, 4.7e-4, 4.7e-4, 3.0e-4])  # kg m2
LIMIT_A = np.array([30.0, 48.0, 30.0, 36.0, 22.0, 30.0, 14.0])
BRAKE_NM = np.array([2200.0, 9500.0, 2800.0, 5200.0, 650.0, 950.0, 220.0])
SPRING = np.array([6.0e5, 8.0e5, 2.5e5, 3.5e5, 8.0e4, 8.0e4, 4.0e4])  # Nm/rad
DAMPER = 0.003 * SPRING
COULOMB = np.array([330.0, 380.0, 105.0, 150.0, 33.0, 34.0, 14.0])  # Nm at 20 degC
THICK = 0.65 * COULOMB  # what grease adds at top rate
SHARE = 0.10  # of the torque carried
KP, KI, KX = 100.0, 8.0, 2.0  # all 1/s, of the rotor alone
PLACE_RAD, SLACK_RAD = np.deg2rad(2.0), np.deg2rad(0.03)
STRIBECK = 0.035 * VMAX
WARM_S, SENSOR_S = 1500.0, 70.0
KELVIN_W = 0.15


@dataclass(frozen=True)
class Unit:
    """What belongs to this arm for good."""

    body: Body
    coulomb: Array
    thick: Array
    rise: Array
    """Static over sliding friction."""
    skew: Array
    ripple: Array
    phase: Array
    kt: Array
    resist: Array
    """Ohm"""
    release_s: Array
    engage_s: Array
    bias_a: Array
    gain: Array
    zero_rad: Array


def make_unit(seed: int) -> Unit:
    """Draw the arm as it was built."""
    g = np.random.default_rng([seed, 81])
    return Unit(
        body=make_body(1 + g.normal(0, 0.025, 7), g.normal(0, 0.008, 7)),
        coulomb=COULOMB * g.uniform(0.85, 1.2, 7),
        thick=THICK * g.uniform(0.8, 1.25, 7),
        rise=g.uniform(1.08, 1.22, 7),
        skew=g.choice([-1, 1], 7) * g.uniform(0.01, 0.05, 7),
        ripple=np.stack([g.uniform(0.03, 0.07, 7), g.uniform(0.02, 0.05, 7)]),
        phase=g.uniform(0, 2 * np.pi, (2, 7)),
        kt=KT * (1 + g.normal(0, 0.015, 7)),
        resist=np.array([0.5, 0.35, 0.6, 0.5, 0.9, 0.7, 1.5]),
        release_s=g.uniform(0.10, 0.17, 7),
        engage_s=g.uniform(0.05, 0.09, 7),
        bias_a=g.normal(0, 0.025, 7),
        gain=1 + g.normal(0, 0.01, 7),
        zero_rad=g.normal(0, 5e-4, 7),
    )


def brake_edges(m: Mission, unit: Unit) -> tuple[list[tuple[int, int, bool]], Array]:
    """Return (step, joint, holds) of every change of the brakes themselves, and the state word."""
    g = np.random.default_rng([m.seed, 6])
    word, edges = m.brake.copy(), []
    for tick, joint in np.argwhere(m.brake[1:] != m.brake[:-1]):
        at, holds = int(tick) + 1, bool(m.brake[tick + 1, joint])
        usual = unit.engage_s[joint] if holds else unit.release_s[joint] + 0.02 * (m.air_c < 4)
        delay = max(0.03, float(usual * (1 + g.normal(0, 0.07))))
        said, f = delay, m.fault
        slow = f and f.cause.startswith("slow-brake") and not holds and f.joint == joint
        if f and slow and f.start <= at < f.end:
            delay += f.amount
            said = said if f.cause == "slow-brake-unsaid" else delay
        edges.append((int((at / HZ + delay) / DT), int(joint), holds))
        later = at + int(np.ceil((said + 0.015) * HZ))
        word[at:later, joint] = not holds
    return sorted(edges), word


def power_on(m: Mission) -> Array:
    """Return where a drive is alive: from the order to let go until the brake holds again."""
    alive = ~m.brake
    for shift in range(1, 8):
        alive[shift:] |= ~m.brake[:-shift]
    return alive


def simulate(missions: list[Mission], unit: Unit) -> list[dict[str, Array]]:
    """Run sessions side by side, each from its own first instant to its own last."""
    s, n = len(missions), max(m.ticks for m in missions)
    rows = np.arange(s)
    lengths = np.array([m.ticks for m in missions])

    def stacked(each: list[Array]) -> Array:
        # a session that is over goes on standing with its brakes set
        longest = [np.concatenate([x, np.repeat(x[-1:], n - len(x), axis=0)]) for x in each]
        return np.stack(longest, axis=1)

    cmd, alive = stacked([m.cmd for m in missions]), stacked([power_on(m) for m in missions])
    load = stacked([m.load for m in missions])
    gens = [np.random.default_rng([m.seed, 5]) for m in missions]
    weather = [make_weather(g, n, HZ, m.rough) for g, m in zip(gens, missions, strict=True)]
    wind = np.stack([w.wind for w in weather], axis=1)
    scatter = np.stack([1 + g.normal(0, 0.02, (2, 7)) for g in gens], axis=1)
    air0 = np.array([m.air_c for m in missions])
    sun = np.array([g.uniform(0, 6.28) for g in gens])
    bench = bench_for(missions, n, unit.coulomb, SPRING)
    changed = [brake_edges(m, unit) for m in missions]
    edges = sorted((step, k, j, on) for k, (each, _) in enumerate(changed) for step, j, on in each)
    edges.append((n * STEPS_A_TICK + 1, 0, 0, False))
    held, next_edge = np.ones((s, 7)), 0
    q = np.stack([m.pose for m in missions])
    v, w, memory, amps, place, idle = (np.zeros((s, 7)) for _ in range(6))
    kp = KP * ROTOR * GEAR / unit.kt
    inertia = ROTOR * GEAR**2
    heavy = inertia + DT * DAMPER + DT**2 * SPRING
    warm = air0[:, None] + np.zeros((s, 7))
    felt, was_alive = warm.copy(), np.zeros((s, 7), bool)
    out = {key: np.empty((n, s, 7), np.float32) for key in ("w", "amps", "warm", "drag")}
    out["q"] = np.empty((n, s, 7))
    th, asked, inverse, block = q.copy(), np.zeros((s, 7)), np.empty((s, 7, 7)), HZ * 60
    for tick in range(n):
        if tick % block == 0:
            t = np.arange(tick, tick + block) / HZ
            sea = [np.stack(x, axis=1) for x in zip(*(w_.at(t) for w_ in weather), strict=True)]
        if tick % POSE_TICKS == 0:
            deck = Deck(*(x[tick % block] for x in sea), wind[tick])
            pose = pose_of(q, unit.body, load[tick] + bench.extra_kg[tick])
            earlier, asked = asked, needed_torques(pose, v, deck)
            needed = asked
        else:  # on along the line between the last two
            needed = asked + (tick % POSE_TICKS / POSE_TICKS) * (asked - earlier)
        if tick == 0:  # the arm has hung on its brakes since yesterday
            th = q + needed / SPRING
            place, earlier = th.copy(), asked
        if tick % MATRIX_TICKS == 0:
            matrix = mass_matrix(pose)
            matrix[:, range(7), range(7)] += DT * DAMPER + DT**2 * SPRING
            inverse = np.linalg.inv(matrix)
        on = alive[tick]
        carried = SPRING * (th - q)
        torque_a = unit.kt * GEAR * (1 - 8e-4 * (warm - 20.0))
        fresh = on & ~was_alive
        memory = np.where(fresh, carried / torque_a, memory)
        was_alive = on
        ask = np.where(on, cmd[tick], 0.0)
        idle = np.where(ask == 0.0, idle + 1, 0)
        # a drive that was not asked for a second holds where it stands
        off = np.clip(place + ask / HZ - th, -PLACE_RAD, PLACE_RAD) * (on & (idle != HZ))
        place = th + off
        off = np.sign(off) * np.maximum(np.abs(off) - SLACK_RAD, 0.0)
        rate_asked = np.where(on, ask + KX * off, 0.0)
        thin = np.exp(-0.021 * (warm - 20.0))
        turned = [np.sin(o * th + unit.phase[i]) for i, o in enumerate((np.ones(7), 2 * WAVE))]
        bumps = 1 + unit.ripple[0] * turned[0] + unit.ripple[1] * turned[1]
        dry = unit.coulomb * scatter[0] * (1 - 0.004 * (warm - 20.0)) * bumps
        dry = dry * bench.rub[tick] + SHARE * np.abs(carried) + bench.drag_nm[tick] * (1 - held)
        thick = unit.thick * scatter[1] * thin * bench.rub[tick]
        sticky = bench.sticky[tick]
        for sub in range(STEPS_A_TICK):
            while edges[next_edge][0] <= tick * STEPS_A_TICK + sub:
                _, k, j, holds = edges[next_edge]
                held[k, j], next_edge = float(holds), next_edge + 1
            # link
            wound = SPRING * (th - q)
            push = wound + (DAMPER + DT * SPRING) * (w - v) - needed
            before = v
            v = v + DT * (inverse @ push[..., None])[..., 0]
            if sticky:
                v = _hold_link(v, before, inverse, bench, tick, rows)
            q = q + DT * v
            # rotor
            wanted = kp * (rate_asked - w) + memory
            amps = np.clip(wanted, -LIMIT_A, LIMIT_A) * on
            memory = memory + (KI * DT) * kp * (rate_asked - w) * on * (np.abs(wanted) < LIMIT_A)
            back = SPRING * (th + DT * w - q) + DAMPER * (w - v)
            free = w + DT * (torque_a * amps - back) / heavy
            if sub % FRICTION_STEPS == 0:
                level = dry * (1 + (unit.rise - 1) * np.exp(-((w / STRIBECK) ** 2)))
                level = level * (1 + unit.skew * np.sign(w)) + thick * (np.abs(w) / VMAX) ** 0.6
            room = DT * (level + held * BRAKE_NM) / heavy
            w = np.sign(free) * np.maximum(np.abs(free) - room, 0.0)
            th = th + DT * w
        th = th + bench.creep(tick, SPRING * (th - q))
        heat = KELVIN_W * (unit.resist * amps**2 + np.abs(level * w))
        air = air0[:, None] + 2.0 * (np.sin(tick / HZ / 1300 + sun) - np.sin(sun))[:, None]
        warm = warm + (heat + air - warm) / (WARM_S * HZ)
        felt = felt + (warm - felt) / (SENSOR_S * HZ)
        out["q"][tick], out["w"][tick], out["amps"][tick] = q, w, amps
        out["warm"][tick], out["drag"][tick] = felt, level
    return [
        {**{key: x[: lengths[k], k].astype(float) for key, x in out.items()}, "word": changed[k][1]}
        for k in range(s)
    ]


def _hold_link(
    v: Array, before: Array, inverse: Array, bench: Bench, tick: int, rows: Array
) -> Array:
    """Let a sticking or jammed bearing stop one link of a session, as far as it can."""
    j = bench.sticky_joint
    at = v[rows, j]
    # the less it holds, the faster the link turns: so it stands and runs on at low rates
    fast = np.exp(-((before[rows, j] / (0.2 * VMAX[j])) ** 2))
    sliding = bench.sliding_nm[tick]
    most = DT * (sliding + (bench.static_nm[tick] - sliding) * fast)
    give = inverse[rows, j, j]
    impulse = np.clip(-at / give, -most, most)
    out: Array = v + inverse[rows, :, j] * impulse[:, None]
    return out
