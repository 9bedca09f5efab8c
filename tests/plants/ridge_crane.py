"""Ridge crane: an invented walking crane arm on a low-gravity ridge, and its recorder.

1. Seven equal units (roll, yaw, pitch, elbow, pitch, yaw, roll), 6.4 m, gravity 1.62 m/s^2; either
   end is the base. Mass matrix, gravity and velocity terms come from world-frame Jacobians.
2. Every unit is elastic: rotor and link are two bodies, joined by a stiffening spring with an error
   of two waves a rotor turn (strain-wave gear). A loaded boom sways at one to three hertz.
3. Dry friction acts on the rotor and sticks (impulse limited, no smoothing): Coulomb part with a
   direction, a rational Stribeck fall, waves along the output turn, a part that grows with load.
4. The lubricant drags with the power 2/3 of viscosity times speed; viscosity follows Walther's law
   of the grease's temperature, which runs ahead of the housing's, and that of the sensor's.
5. Drives are in torque mode: PI on rotor speed, limited current, at release a preset from a weight
   table that is a little off. No angle loop: the angle drifts from the sum of commanded rates.
6. Current is measured in two phases, each with a drifting bias and gain of its own: it ripples
   with the electrical angle, aliased, and at rest depends on where the rotor stopped.
7. The angle is read at the output, 15 bits, eccentric: gear twist under load shows while braked.
8. Brakes sit on the rotor; word and torque have their own delays, longer in the cold.
9. The recorder writes 31.25 Hz with jitter, drops rows now and then, pauses at a restart.
10. Odd: rates but no angle commanded; loads in a manifest column, which may be empty; hand-offs
    while the drives hold; jerky jogs, quiet stretches, a restart in some sessions.

``python -m tests.plants.ridge_crane OUT --seed S`` writes logs, ``map.toml``, ``arm.toml``,
``names-only.toml`` and ``truth.json``. Everything follows from the seed. Figures are invented, the
forms of the laws are from memory.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from multiprocessing import get_context
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import polars as pl

from tests.plants.ridge_crane_crew import (
    CAUSES,
    COUNT,
    DEG,
    SIZES,
    TICK,
    Plan,
    draw_plan,
    place_fault,
)

NAMES = ("RA", "YA", "PA", "EL", "PB", "YB", "RB")
AXES = (2, 0, 1, 1, 1, 0, 2)  # x, y, z of the straight arm; the same read from either end
SUB = 16  # steps of 2 ms in it
H = TICK / SUB
G = 1.62
# The straight arm along z from end A to end B, m
JOINT_AT = np.array(
    [(0, 0, 0.35), (0, 0, 0.70), (0, 0.12, 1.0), (0, 0.12, 3.2), (0, 0, 5.4), (0, 0, 5.7),
     (0, 0, 6.05)]
)  # fmt: skip
LENGTH = 6.4
# Eight bodies: the end-A foot, then what each joint carries: mass kg, centre, radii of gyration
MASS = np.array([24.0, 22, 22, 41, 43, 22, 22, 24])
CENTRE = np.array(
    [(0, 0, 0.15), (0, 0, 0.55), (0, 0.05, 0.85), (0, 0.15, 2.05), (0, 0.04, 4.35), (0, 0, 5.55),
     (0, 0, 5.85), (0, 0, 6.25)]
)  # fmt: skip
GYRATION = np.array(
    [(0.42, 0.42, 0.45), (0.2, 0.2, 0.2), (0.2, 0.2, 0.2), (0.75, 0.75, 0.15), (0.75, 0.75, 0.15),
     (0.2, 0.2, 0.2), (0.2, 0.2, 0.2), (0.42, 0.42, 0.45)]
)  # fmt: skip
LOAD_OUT, LOAD_GYR = 0.45, 0.4  # m: a load's centre beyond the tip, its radius of gyration
RATIO, KT, ROTOR, LIMIT_A, BRAKE_NM = 900.0, 0.35, 2.2e-4, 14.0, 5200.0
KP, KI = 90.0, 230.0  # A per rad/s, A per rad, at the output


# ---- the rigid body ---------------------------------------------------------------------------
@dataclass
class Bodies:
    """Chains of S sessions, each from its own base; vectors in the straight arm's directions."""

    sign: np.ndarray  # (S,) +1 base at A, -1 at B: an axis seen from the other side
    step: np.ndarray  # (S, 7, 3) from the joint before
    mass: np.ndarray  # (S, 7)
    centre: np.ndarray  # (S, 7, 3) from the joint
    inertia: np.ndarray  # (S, 7, 3, 3) about the centre
    tip: np.ndarray  # (S, 3) from the last joint to the tip
    bare: tuple[np.ndarray, np.ndarray, np.ndarray] = field(init=False)

    def __post_init__(self) -> None:
        self.bare = (
            self.mass[:, 6].copy(), self.centre[:, 6].copy(), self.inertia[:, 6].copy()
        )  # fmt: skip

    def carry(self, load: np.ndarray, aside: np.ndarray) -> None:
        """Join a load (S,) kg to the last body; `aside` (S, 3) is where its centre errs."""
        mass, centre, inertia = self.bare
        out = self.tip + aside
        out[:, 2] += self.sign * LOAD_OUT
        whole = mass + load
        both = (mass[:, None] * centre + load[:, None] * out) / whole[:, None]
        gyr = np.eye(3) * LOAD_GYR**2 * load[:, None, None]
        self.mass[:, 6], self.centre[:, 6] = whole, both
        self.inertia[:, 6] = (
            inertia + gyr + _moved(mass, centre - both) + _moved(load, out - both)
        )  # fmt: skip


def _moved(mass: np.ndarray, by: np.ndarray) -> np.ndarray:
    """Return what moving a mass off an axis adds to its inertia (parallel axes), (S, 3, 3)."""
    square = np.einsum("...a,...a->...", by, by)
    return mass[..., None, None] * (
        square[..., None, None] * np.eye(3) - by[..., :, None] * by[..., None, :]
    )


def _cross(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    ax, ay, az = a[..., 0], a[..., 1], a[..., 2]
    bx, by, bz = b[..., 0], b[..., 1], b[..., 2]
    return np.stack((ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx), axis=-1)


_LOWER = np.tril(np.ones((7, 7)))[None, :, :, None]


def chains(base_b: np.ndarray, scatter: np.ndarray | None = None) -> Bodies:
    """Build the chains of S sessions; `scatter` (8, 8): how the arm departs from its drawing."""
    part = np.zeros((8, 8)) if scatter is None else scatter
    mass = MASS * (1 + 0.03 * part[:, 0])
    centre = CENTRE + part[:, 1:4] * np.array([0.012, 0.012, 0.025])
    square = GYRATION**2 * (1 + 0.05 * part[:, 4:7])
    moment = mass[:, None] * (square.sum(1, keepdims=True) - square)
    steps, masses, centres, inertias, tips = [], [], [], [], []
    for b in base_b:
        order = np.arange(6, -1, -1) if b else np.arange(7)
        body = order if b else order + 1
        at = JOINT_AT[order]
        foot = np.array([0, 0, LENGTH]) if b else np.zeros(3)
        steps.append(np.diff(np.vstack((foot, at)), axis=0))
        masses.append(mass[body])
        centres.append(centre[body] - at)
        inertias.append(np.stack([np.diag(m) for m in moment[body]]))
        tips.append((np.zeros(3) if b else np.array([0, 0, LENGTH])) - at[-1])
    return Bodies(
        np.where(base_b, -1.0, 1.0), np.array(steps), np.array(masses), np.array(centres),
        np.array(inertias), np.array(tips),
    )  # fmt: skip


def dynamics(
    bodies: Bodies, q: np.ndarray, dq: np.ndarray, mass_too: bool = True
) -> tuple[np.ndarray | None, np.ndarray, np.ndarray]:
    """Return mass matrix (S, 7, 7) or None, torque at no acceleration (S, 7), potential (S,)."""
    s = len(q)
    c, d = np.cos(q), np.sin(q) * bodies.sign[:, None]
    turn = np.broadcast_to(np.eye(3), (s, 3, 3))
    place = np.zeros((s, 3))
    spin, twist, lift = np.zeros((s, 3)), np.zeros((s, 3)), np.zeros((s, 3))
    axis, at, middle, heavy = (np.empty((s, 7, 3)) for _ in range(4))
    tensor = np.empty((s, 7, 3, 3))
    moment = np.empty((s, 7, 3))
    for k, a in enumerate(AXES):
        arm = np.einsum("sab,sb->sa", turn, bodies.step[:, k])
        lift = lift + _cross(twist, arm) + _cross(spin, _cross(spin, arm))
        place = place + arm
        u, v = (a + 1) % 3, (a + 2) % 3
        now = turn.copy()
        now[:, :, u] = turn[:, :, u] * c[:, k, None] + turn[:, :, v] * d[:, k, None]
        now[:, :, v] = turn[:, :, v] * c[:, k, None] - turn[:, :, u] * d[:, k, None]
        turn = now
        axis[:, k] = turn[:, :, a] * bodies.sign[:, None]
        turning = axis[:, k] * dq[:, k, None]
        twist = twist + _cross(spin, turning)
        spin = spin + turning
        out = np.einsum("sab,sb->sa", turn, bodies.centre[:, k])
        at[:, k], middle[:, k] = place, place + out
        heavy[:, k] = lift + _cross(twist, out) + _cross(spin, _cross(spin, out))
        tensor[:, k] = turn @ bodies.inertia[:, k] @ turn.swapaxes(1, 2)
        inert = np.einsum("sab,sb->sa", tensor[:, k], spin)
        moment[:, k] = np.einsum("sab,sb->sa", tensor[:, k], twist) + _cross(spin, inert)
    heavy[:, :, 2] += G * bodies.sign[:, None]  # down is towards the base, whichever end it is
    lever = _cross(axis[:, None], middle[:, :, None] - at[:, None]) * _LOWER  # body, joint, xyz
    turns = axis[:, None] * _LOWER
    weight = bodies.mass[:, :, None] * heavy
    bias = np.einsum("skja,ska->sj", lever, weight) + np.einsum("skja,ska->sj", turns, moment)
    potential = G * bodies.sign * (bodies.mass * middle[:, :, 2]).sum(1)
    if not mass_too:
        return None, bias, potential
    flat = lever.swapaxes(1, 2).reshape(s, 7, 21)
    heft = (lever * bodies.mass[:, :, None, None]).swapaxes(1, 2).reshape(s, 7, 21)
    whirl = np.einsum("skab,skjb->sjka", tensor, turns).reshape(s, 7, 21)
    matrix = heft @ flat.swapaxes(1, 2) + whirl @ turns.swapaxes(1, 2).reshape(s, 7, 21).swapaxes(
        1, 2
    )
    return matrix, bias, potential


# ---- units: what each of the seven is --------------------------------------------------------
def viscosity(temperature_c: np.ndarray) -> np.ndarray:
    """Return kinematic viscosity, mm^2/s, by Walther's law (32 at 40 degC, 6.2 at 100 degC)."""
    x0, x1 = math.log10(313.15), math.log10(373.15)
    y0, y1 = (math.log10(math.log10(v + 0.7)) for v in (32.0, 6.2))
    slope = (y0 - y1) / (x1 - x0)
    kelvin = np.maximum(temperature_c, -40.0) + 273.15
    return 10 ** (10 ** (y0 - slope * (np.log10(kelvin) - x0))) - 0.7


VISC20 = float(viscosity(np.array(20.0)))


def draw_arm(seed: int) -> SimpleNamespace:
    """Draw one arm: its units in order from end A, all (7,) but where said."""
    r = np.random.default_rng([seed, 1])
    return SimpleNamespace(
        scatter=np.clip(r.normal(size=(8, 8)), -2, 2),  # of the bodies, against the drawing
        coulomb=130 * r.uniform(0.8, 1.25, 7),
        asym=r.normal(0, 0.05, 7),
        load_share=r.uniform(0.04, 0.075, 7),
        viscous=70 * r.uniform(0.85, 1.2, 7),
        spring=1.0e6 * r.uniform(0.9, 1.1, 7),
        gear_wave=r.uniform(0.8e-5, 2.2e-5, 7),
        phase=r.uniform(0, 2 * math.pi, (6, 7)),
        kt=KT * RATIO * r.normal(1, 0.02, 7),
        release_s=r.uniform(0.09, 0.14, 7),
        engage_s=r.uniform(0.05, 0.09, 7),
        zero=r.normal(0, 1.5e-3, 7),
        aside=r.normal(0, 0.03, 3),  # (3,) m, a load's centre beside the axis
    )


# ---- the machine: all sessions of a batch at once ----------------------------------------------
def run(
    arm: SimpleNamespace, plans: list[Plan], seed: list[int], faults: bool = True
) -> dict[str, np.ndarray]:
    """Simulate a batch; return what the recorder sees, (S, T, 7), joints from end A.

    ``faults=False`` leaves the physical ones out, the rest the same: the twin run.
    """
    s, ticks = len(plans), len(plans[0].load)
    r = np.random.default_rng(seed)
    base_b = np.array([p.base_b for p in plans])
    flip = np.where(base_b[:, None], np.arange(6, -1, -1), np.arange(7))  # chain place -> joint
    row = np.arange(s)[:, None]
    bodies = chains(base_b, arm.scatter)
    pick = lambda x: np.asarray(x)[flip]  # noqa: E731
    turned = lambda x, to: np.take_along_axis(x, to[:, None, :], axis=2)  # noqa: E731

    rate = turned(np.stack([p.rate for p in plans]), flip)
    ask = turned(np.stack([p.ask_open for p in plans]), flip)
    load = np.stack([p.load for p in plans])
    on = np.stack([p.on for p in plans])
    for k, p in enumerate([] if faults else plans):
        if p.cause == "wrong-load":
            load[k, slice(*p.span)] /= 1 + p.size
    ambient = np.array([p.ambient for p in plans])[:, None]

    # Brakes: torque and word by tick, each edge with its own delay
    held, word = np.ones((s, ticks, 7), bool), np.ones((s, ticks, 7), bool)
    cold = 1 + 0.01 * np.maximum(10 - ambient, 0)
    for k in range(s):
        for j in range(7):
            unit = flip[k, j]
            edges = np.flatnonzero(np.diff(ask[k, :, j].astype(int), prepend=0))
            for e in edges:
                opens = ask[k, e, j]
                base = (arm.release_s if opens else arm.engage_s)[unit] * cold[k, 0]
                act = base + r.normal(0, 0.008)
                told = act + r.uniform(0.0, 0.03)
                extra = plans[k].hold_s
                mine = faults and opens and extra is not None and plans[k].joint == unit
                if mine and extra[0] == e:
                    act, told = act + extra[1], told + (0 if extra[2] else extra[1])
                a, t = e + max(1, round(act / TICK)), e + max(1, round(told / TICK))
                held[k, a:, j], word[k, t:, j] = not opens, not opens
    drive = (ask | ~held) & on[:, :, None]

    # What a session's faults do to the rotor or the link
    place = np.array([list(flip[k]).index(max(p.joint, 0)) for k, p in enumerate(plans)])
    extra = np.zeros((s, ticks))
    creep = np.zeros((s, ticks))
    block = np.zeros((s, ticks), bool)
    for k, p in enumerate(plans if faults else []):
        extra[k] = 0 if p.extra is None else p.extra
        creep[k] = 0 if p.creep is None else p.creep
        if p.cause == "blocked-motion":
            block[k, slice(*p.span)] = True
    creeping, blocking = creep.any(0), block.any(0)
    line = np.arange(s)
    wall, wall_way, creep_way = np.zeros(s), np.zeros(s), np.zeros(s)

    # Constants of the units, in chain order
    scatter = 1 + 0.03 * np.clip(r.normal(size=(s, 7)), -2, 2)
    coulomb, viscous = pick(arm.coulomb) * scatter, pick(arm.viscous) * scatter
    asym, share, spring, kt = pick(arm.asym), pick(arm.load_share), pick(arm.spring), pick(arm.kt)
    wave = pick(arm.gear_wave)
    phase = [pick(p) for p in arm.phase]
    stiffer, damping = 0.15 * spring / 0.002**2, 1.0e-3 * spring
    rotor = ROTOR * RATIO**2

    q = np.stack([p.start_q for p in plans])[row, flip]
    dq, w, amp = np.zeros((s, 7)), np.zeros((s, 7)), np.zeros((s, 7))
    aside = np.repeat(arm.aside[None], s, 0)
    bodies.carry(load[:, 0], aside)
    matrix, bias, _ = dynamics(bodies, q, dq)
    inverse = np.linalg.inv(matrix)
    th = q + bias / spring - wave * np.sin(2 * RATIO * q + phase[0])
    preset = np.clip(r.normal(0.97, 0.05, (s, 7)), 0.85, 1.1)  # its weight table is a little off
    total = bias / kt * preset
    grease = ambient + r.normal(0, 2.0, (s, 7))
    housing, sensor = grease.copy(), grease + r.normal(0, 0.3, (s, 7))
    sun = r.uniform(-4, 4, (s, 1))
    seen = np.zeros((s, 7))
    out = {k: np.zeros((s, ticks, 7), np.float32) for k in ("q", "th", "amp", "kelvin", "w")}
    kick = H / rotor
    for n in range(ticks):
        if n and (load[:, n] != load[:, n - 1]).any():
            bodies.carry(load[:, n], aside)
        if n % 4 == 0:
            matrix, bias, _ = dynamics(bodies, q, dq)
            inverse = np.linalg.inv(matrix)
        else:
            _, bias, _ = dynamics(bodies, q, dq, mass_too=False)
        for name, value in (("q", q), ("th", th), ("amp", seen), ("kelvin", sensor), ("w", w)):
            out[name][:, n] = value
        # Heat: copper and friction warm the grease, the grease the housing, that the sensor
        flow = (grease - housing) * 6.0
        warm = 0.9 * amp**2 + (coulomb + viscous) * np.abs(w)
        grease = grease + TICK / 1200 * (warm - flow)
        outside = ambient + sun * (n / ticks)
        housing = housing + TICK / 9000 * (flow - 4.0 * (housing - outside))
        sensor = sensor + TICK / 90 * (housing - sensor)
        # Friction's slow factors
        thick = np.cbrt((viscosity(grease) / VISC20 / (2 * DEG)) ** 2) * viscous
        along = 1 + 0.05 * np.sin(q + phase[1]) + 0.03 * np.sin(3 * q + phase[2])
        dry = coulomb * along * (1 - 0.002 * (grease - 20))
        dry[line, place] += extra[:, n] * coulomb[line, place]
        climb = 0.18 * coulomb * (1 + 0.01 * (grease - 20))
        fall = (5 + 0.08 * np.maximum(grease, 0)) * 1e-3
        clamp = held[:, n] * BRAKE_NM
        live = drive[:, n].astype(float)
        total = np.where(drive[:, n], total, preset * bias / kt)
        noise = r.normal(0, 1.2e-4, (SUB, s, 7))
        slope = (rate[:, n + 1] - rate[:, n]) / SUB
        want = rate[:, n].copy()
        if creeping[n]:
            fresh = (creep[:, n] > 0) & (creep_way == 0)
            creep_way = np.where(fresh, -np.sign(bias[line, place] + 1e-9), creep_way)
            slips = creep[:, n] > 0
        if blocking[n]:
            fresh = block[:, n] & (wall_way == 0)
            wall = np.where(fresh, q[line, place], wall)
            wall_way = np.where(fresh, np.sign(rate[line, n, place]), wall_way)
        push = bias
        for m in range(SUB):
            if m % 4 == 0:
                speed = np.abs(w)
                curve = dry + climb / (1 + speed / fall) + thick * np.cbrt(speed * speed)
                curve = curve * (1 + asym * np.sign(w)) + clamp
            error = want - w + noise[m]
            total = np.clip(total + (KI * H) * error * live, -LIMIT_A, LIMIT_A)
            ask_a = np.clip(KP * error + total, -LIMIT_A, LIMIT_A) * live
            amp = amp + 0.5 * (ask_a - amp)
            seen = seen + 0.125 * (amp - seen)
            twist = th - q + wave * np.sin(2 * RATIO * th + phase[0])
            gear = twist * (spring + stiffer * twist * twist) + damping * (w - dq)
            loose = w + kick * (kt * amp - gear)
            cap = kick * (curve + share * np.abs(gear))
            w = loose - np.clip(loose, -cap, cap)
            if creeping[n]:
                w[slips, place[slips]] = (creep_way * creep[:, n])[slips]
            if blocking[n]:
                deep = np.maximum((q[line, place] - wall) * wall_way, 0) * block[:, n]
                push = bias.copy()
                push[line, place] += deep * 4.0e5 * wall_way + (deep > 0) * 2e3 * dq[line, place]
            th = th + H * w
            dq = dq + H * (inverse @ (gear - push)[:, :, None])[:, :, 0]
            q = q + H * dq
            want += slope
    back = np.argsort(flip, axis=1)
    result = {k: turned(v, back) for k, v in (out | {"word": word, "held": held}).items()}
    return result


# ---- the recorder ------------------------------------------------------------------------------
def record(
    arm: SimpleNamespace, plan: Plan, seen: dict[str, np.ndarray], k: int, start: datetime,
    r: np.random.Generator, declared: bool, faults: bool = True,
) -> pl.DataFrame:  # fmt: skip
    """Return the log of session `k` of a batch: sensors, their faults, jitter, lost rows."""
    ticks = len(plan.load)
    q, th, amp = (seen[n][k].astype(float) for n in ("q", "th", "amp"))
    t0, t1 = plan.span
    j = plan.joint
    # Angle: eccentric scale, zero, a fault, 15 bits
    angle = q + arm.zero + 2.5e-4 * np.sin(q + arm.phase[3]) + 8e-5 * np.sin(2 * q + arm.phase[4])
    angle += r.normal(0, 0.35 * COUNT, angle.shape)
    if faults and plan.cause == "angle-jump":
        angle[t0:, j] += plan.size
    angle = np.round(angle / COUNT) * COUNT
    if faults and plan.cause == "angle-stuck":
        angle[t0:t1, j] = angle[t0, j]
    # Current: two phases with their own bias, which drifts and is zeroed anew at a restart
    electrical = 7 * RATIO * th
    shrink = 1 / np.sqrt(1 + (7 * RATIO * seen["w"][k] * 0.016) ** 2)
    stretch = np.cumsum(np.diff(plan.on.astype(int), prepend=1) == 1)
    fresh = r.normal(0, 0.011, (2, stretch.max() + 1, 7))
    drift = np.cumsum(r.normal(0, 0.004 * math.sqrt(TICK / 600), (2, ticks, 7)), axis=1)
    bias_a, bias_b = fresh[:, stretch] + drift
    reading = amp * (1 + r.normal(0, 0.004, 7))
    reading += amp * 0.006 * np.sin(2 * electrical + arm.phase[5]) * shrink
    ripple = bias_a * np.cos(electrical) + (bias_a + 2 * bias_b) / math.sqrt(3) * np.sin(electrical)
    reading += ripple * shrink + r.normal(0, 0.006, 7) + r.normal(0, 0.009, (ticks, 7))
    if faults and plan.cause == "current-offset":
        turning = np.abs(plan.rate[:ticks, j]) > 0.05 * DEG
        reading[t0:t1, j] += plan.size * np.median(np.abs(reading[turning, j]))
    if faults and plan.cause == "current-gain":
        reading[t0:t1, j] *= 1 + plan.size
    milliamp = np.round(reading / 0.005) * 5
    kelvin = np.round((seen["kelvin"][k] + 273.15 + r.normal(0, 0.05, (ticks, 7))) / 0.1) * 0.1

    stamp = np.arange(ticks) * TICK + np.clip(r.normal(0, 6e-4, ticks), -0.003, 0.003)
    stamp += (r.random(ticks) < 0.002) * r.uniform(0.004, 0.015, ticks)
    keep = plan.on.copy()
    for _ in range(int(r.poisson(2.0 * ticks * TICK / 1200))):
        gap = int(r.integers(100, max(101, ticks - 100)))
        keep[gap : gap + max(1, round(r.uniform(0.06, 1.8) / TICK))] = False
    keep &= r.random(ticks) > 2e-4
    if plan.cause and t1 - t0 < 60 / TICK:  # a short fault is not lost with the rows
        keep[max(0, t0 - 30) : t1 + 30] = plan.on[max(0, t0 - 30) : t1 + 30]

    epoch_us = int(start.timestamp() * 1e6)
    said = lambda engaged: np.where(engaged, "CLOSED", "OPEN")  # noqa: E731
    columns: dict[str, Any] = {"stamp_us": epoch_us + np.round(stamp * 1e6).astype(np.int64)}
    for i, name in enumerate(NAMES):
        columns[f"{name}_enc_mrad"] = np.round(angle[:, i] * 1e3, 3)
        columns[f"{name}_ask_mrad_s"] = np.round(plan.rate[:ticks, i] * 1e3, 2) + 0.0
        columns[f"{name}_mA"] = milliamp[:, i].astype(np.int64)
        columns[f"{name}_K"] = np.round(kelvin[:, i], 1)
        columns[f"{name}_clamp_ask"] = said(~plan.ask_open[:, i])
        columns[f"{name}_clamp"] = said(seen["word"][k][:, i])
    columns["stand"] = np.full(ticks, "south" if plan.base_b else "north")
    columns["manifest_lb"] = np.round(plan.listed / 0.45359237) if declared else [None] * ticks
    columns["task"] = plan.phase.astype(str)
    return pl.DataFrame(columns).filter(pl.Series(keep))


MAP = """# The ridge crane's recorder: one row an instant, milliradians, milliamperes and kelvin.
[log]
layout = "wide"
joints = ["RA", "YA", "PA", "EL", "PB", "YB", "RB"]
numbering = "A"

[time]
column = "stamp_us"
format = "epoch-us"

[joint]
angle = { column = "{name}_enc_mrad", unit = "mrad" }
commanded_rate = { column = "{name}_ask_mrad_s", unit = "mrad/s" }
current = { column = "{name}_mA", unit = "mA" }
temperature = { column = "{name}_K", unit = "K" }
[joint.brake_command]
column = "{name}_clamp_ask"
words = { CLOSED = "engaged", OPEN = "released" }
[joint.brake_state]
column = "{name}_clamp"
words = { CLOSED = "engaged", OPEN = "released" }

[session]
payload = { column = "manifest_lb", unit = "lb", optional = true }
base_end = { column = "stand", words = { north = "A", south = "B" } }
phase = { column = "task" }
"""


def arm_file(full: bool = True) -> str:
    """Return the arm file: the drawing, from which the arm itself departs by a few per cent."""
    vector = lambda v: "[" + ", ".join(f"{x:.4f}" for x in v) + "]"  # noqa: E731

    def body(k: int, origin: np.ndarray) -> str:
        square = GYRATION[k] ** 2
        moment = MASS[k] * (square.sum() - square)
        return (
            f"mass_kg = {MASS[k]}\ncentre_m = {vector(CENTRE[k] - origin)}\n"
            f"inertia_kg_m2 = {vector([*moment, 0, 0, 0])}\n"
        )

    text = '# The ridge crane: an invented arm.\n[arm]\nname = "Ridge crane"\n'
    if full:
        text += f'gravity_m_s2 = [0.0, 0.0, {-G}]\nconvention = "fixed"\n\n[arm.tip]\n'
        text += f"xyz_m = {vector([0, 0, LENGTH - JOINT_AT[6, 2]])}\n\n[arm.payload]\n"
        text += f"centre_m = {vector([0, 0, LOAD_OUT])}\n"
        text += f"gyration_m = {vector([LOAD_GYR] * 3)}\n\n"
        text += f"[arm.base_link]\n{body(0, np.zeros(3))}"
    before = np.zeros(3)
    for i, name in enumerate(NAMES):
        text += f'\n[[joints]]\nname = "{name}"\n'
        if not full:
            continue
        axis = [int(a == AXES[i]) for a in range(3)]
        text += (
            f'serial = "RC-{31 + i}"\nrate_limit_deg_s = 3.0\ngear_ratio = {RATIO}\n'
            f"torque_constant_nm_a = {KT}\nmotor_inertia_kg_m2 = {ROTOR}\n"
            f"current_limit_a = {LIMIT_A}\nbrake_torque_nm = {BRAKE_NM}\n"
            "ripple_orders = [1.0, 3.0]\n"
            f"[joints.geometry]\nxyz_m = {vector(JOINT_AT[i] - before)}\naxis = {axis}\n"
            f"[joints.link]\n{body(i + 1, JOINT_AT[i])}"
        )
        before = JOINT_AT[i]
    return text


# ---- the campaign ------------------------------------------------------------------------------
Sessions = list[tuple[str, Plan]]


def campaign(seed: int, training: int, clean: int, faults: int, minutes: float) -> Sessions:
    """Draw all sessions in the order they are flown: training, then clean and faulty ones mixed."""
    ticks = round(minutes * 60 / TICK)
    r = np.random.default_rng([seed, 2])
    wanted = [(c, z) for z in SIZES for c in CAUSES]
    later: list[tuple[str, tuple[str, str] | None]] = [("clean", None)] * clean
    later += [("fault", wanted[k % len(wanted)]) for k in range(faults)]
    roles = [("training", None)] * training + [later[k] for k in r.permutation(len(later))]
    done: Sessions = []
    for number, (role, fault) in enumerate(roles):
        for attempt in range(200):
            g = np.random.default_rng([seed, 3, number, attempt])
            plan = draw_plan(g, ticks)
            if fault is None or place_fault(plan, *fault, g, ticks):
                break
        else:
            raise SystemExit(f"sessions of {minutes:g} min have no place for {fault}")
        done.append((role, plan))
    return done


def write(
    out: Path, seed: int, sessions: Sessions, undeclared: float, batch: int, workers: int
) -> None:
    """Simulate, record and write everything into `out`."""
    (out / "logs").mkdir(parents=True, exist_ok=True)
    (out / "map.toml").write_text(MAP)
    (out / "arm.toml").write_text(arm_file())
    (out / "names-only.toml").write_text(arm_file(full=False))
    r = np.random.default_rng([seed, 4])
    hidden = r.random(len(sessions)) < undeclared
    days = np.cumsum(r.uniform(1.2, 4, len(sessions)))
    dated = [
        (role, plan, bool(h) and plan.cause != "wrong-load", _day(float(d)))
        for (role, plan), h, d in zip(sessions, hidden, days, strict=True)
    ]
    jobs = [(out, seed, n, dated[n : n + batch]) for n in range(0, len(dated), batch)]
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        truth = [entry for part in pool.map(_batch, jobs) for entry in part]
    (out / "truth.json").write_text(json.dumps({"sessions": truth}, indent=1))


def _day(days: float) -> datetime:
    return (datetime(2034, 3, 2, 8, 0, tzinfo=UTC) + timedelta(days=days)).replace(microsecond=0)


def _batch(job: tuple[Path, int, int, list[Any]]) -> list[dict[str, Any]]:
    """Simulate one batch and write its logs; return what is true of each."""
    out, seed, first, part = job
    clock = time.process_time()
    arm, truth = draw_arm(seed), []
    seen = run(arm, [p for _, p, _, _ in part], [seed, 5, first])
    for k, (role, plan, hidden, start) in enumerate(part):
        r = np.random.default_rng([seed, 6, first + k])
        file = f"crane-{first + k + 1:03d}-{start:%Y%m%d}.csv"
        record(arm, plan, seen, k, start, r, not hidden).write_csv(out / "logs" / file)
        at = lambda n, s=start: (s + timedelta(seconds=n * TICK)).isoformat()  # noqa: E731
        fault = {"joint": NAMES[plan.joint], "cause": plan.cause, "size": plan.size_word}
        fault |= {"start": at(plan.span[0]), "end": at(plan.span[1]), "amount": plan.size}
        fault["kind"] = CAUSES[plan.cause][0] if plan.cause else ""
        entry = {"file": file, "role": role, "start": at(0), "minutes": len(plan.load) * TICK / 60}
        entry |= {"declared_load": not hidden, "base": "B" if plan.base_b else "A"}
        truth.append(entry | {"faults": [fault] if plan.cause else []})
    used = (time.process_time() - clock) / len(part)
    print(f"sessions {first + 1} to {first + len(part)}: {used:.1f} s CPU each", flush=True)
    return truth


def main() -> None:
    """Run from the command line."""
    p = argparse.ArgumentParser(description="Write the ridge crane's logs, and the truth of them.")
    p.add_argument("out", type=Path)
    for name, value in (("seed", 1), ("training", 39), ("clean", 24), ("faults", 39)):
        p.add_argument(f"--{name}", type=int, default=value)
    p.add_argument("--minutes", type=float, default=20)
    p.add_argument("--undeclared", type=float, default=0, help="share of sessions, no manifest")
    p.add_argument("--batch", type=int, default=51, help="sessions simulated at once")
    p.add_argument("--workers", type=int, default=1, help="batches simulated side by side")
    a = p.parse_args()
    sessions = campaign(a.seed, a.training, a.clean, a.faults, a.minutes)
    write(a.out, a.seed, sessions, a.undeclared, a.batch, a.workers)


if __name__ == "__main__":
    main()
