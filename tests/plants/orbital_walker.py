"""A long weightless arm that walks: "Tamarisk", invented, seven joints, either end is the base.

Rigid body: Jacobians of every body from its frames, M = sum(m Jv'Jv + Jw'IJw); the velocity terms
are the projected rates of linear and angular momentum, by a small step along the motion.
Booms: each has an elastic hinge in its middle, bending two ways, damped in proportion; the four
deflections are coordinates of the same mass matrix, so joints excite them and feel them back
(lowest mode about 0.2 Hz with 15 t at the tip, about 2 Hz bare). Gears are rigid.
Friction: LuGre bristles with Stribeck, a few per cent between directions, grease that thins with
temperature and shear, ripple over the gear's turn, and a part that grows with the torque carried.
Drive: PI on rate at 400 Hz, current limited, integral frozen in saturation; hand controllers
command rates, slewed by load. Brakes: a stiff latch with delays of its own; the drive is dead
behind a set brake. Sensors: 12 bit current, 17 bit angle, grease felt three minutes late.

Odd about it: no measured rate is recorded; joints are counted from end A whichever end holds on;
the base may change within a log (a walk); the load may too; several joints swing when one is
stopped; at heavy loads the rates are so small that friction stays in its Stribeck part; commands
often come before the brake has let go. Angles in radians, rates asked in degrees a second.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import numpy as np

JOINTS = ("ROLL-A", "YAW-A", "PITCH-A", "ELBOW", "PITCH-B", "YAW-B", "ROLL-B")
CANONICAL = ("T1", "T2", "T3", "T4", "T5", "T6", "T7")
LOG_HZ, STEPS, UPDATE_TICKS = 25, 16, 5
DT = 1.0 / (LOG_HZ * STEPS)
# chain of eleven turns from end A: seven joints and four elastic hinges (two a boom)
AXES = "zxyxyyxyyxz"
ACT, FLEX = np.array([0, 1, 2, 5, 8, 9, 10]), np.array([3, 4, 6, 7])
BOOM_A, BOOM_B, STUB = 8.2, 8.8, 0.45
OFFSETS = np.zeros((11, 3))
OFFSETS[:, 2] = np.array([0.35, STUB, STUB, 4.1, 0.0, 4.1, 4.4, 0.0, 4.4, STUB, STUB])
OFFSETS[[5, 6], 0] = 0.25, -0.25
TIP_Z, LOAD_Z, GYRATION = 0.35, 1.4, np.array([1.2, 1.2, 0.8])


def _boom(mass: float, length: float, aside: float, roll: float) -> tuple:
    bend = mass * length**2 / 12
    return mass, (aside, 0.0, length / 2), (bend, bend, roll)


# name-plate (mass, centre, inertia) of what follows each joint; body 0 is end A itself
HOUSING = (23.0, (0.0, 0.0, 0.225), (0.62, 0.62, 0.41))
TIP = (31.0, (0.0, 0.0, 0.17), (0.85, 0.85, 0.52))
BOOMS = (_boom(98.0, BOOM_A, 0.0, 1.6), _boom(91.0, BOOM_B, -0.25, 1.5))
PLATE = (TIP, HOUSING, HOUSING, *BOOMS, HOUSING, HOUSING, TIP)
FLEX_K = np.array([6.1e6, 6.9e6, 5.6e6, 6.4e6])  # Nm/rad
FLEX_D = 0.012 * FLEX_K
GEAR, KT, ROTOR = 2600.0, 0.130, 3.0e-4
CURRENT_LIMIT, VMAX, BRAKE_NM = 8.0, np.deg2rad(4.0), 3600.0
KP, KI = 900.0, 230.0  # A s/rad, A/rad
SIGMA0, SIGMA1, DAMP_V, STRIBECK_V = 1.1e6, 1.4e4, 4e-4, np.deg2rad(0.22)
BRAKE_K, BRAKE_D, WALL_K = 2.5e7, 1.4e5, 2.0e6
ANGLE_LSB, CURRENT_LSB, RIPPLE_ORDERS = 2 * np.pi / 2**17, 20.0 / 2**12, (2.0, 37.0)
LAG_S, HEAT_K_W, HEAT_TAU = 180.0, 0.35, 900.0
SIZES = ("large", "middling", "small")
_TABLE = """
friction-step friction 0.6 0.3 0.15; friction-growth friction 0.8 0.4 0.2
brake-drag brake-drag 0.5 0.25 0.12; brake-slip brake-slip 0.05236 0.008727 0.00024
late-release late-release 0.6 0.3 0.15; late-release-lying late-release 1.0 0.5 0.25
stick-slip stick-slip 0.6 0.3 0.15; stall stall 7 4 2
current-offset current-sensor 0.3 0.15 0.08; current-gain current-sensor 0.4 0.2 0.1
angle-jump angle-sensor 60 20 6; angle-stuck angle-sensor 10 4 2; load load 1 0.5 0.3333"""
_ROWS = [row.split() for row in _TABLE.replace("\n", ";").split(";") if row]
KINDS = {r[0]: (r[1], tuple(float(x) for x in r[2:])) for r in _ROWS}
CAUSES = tuple(KINDS)


def make_unit(seed: int) -> SimpleNamespace:
    """Draw what belongs to this arm for good; arrays over seven joints."""
    g, u = np.random.default_rng([seed, 71]), SimpleNamespace()
    u.coulomb, u.viscous = g.uniform(190.0, 300.0, 7), g.uniform(1300.0, 2300.0, 7)
    u.stribeck, u.thinning = g.uniform(1.15, 1.38, 7), g.uniform(0.022, 0.034, 7)
    u.skew = g.choice([-1, 1], 7) * g.uniform(0.01, 0.04, 7)
    u.ripple = np.stack([g.uniform(0.02, 0.04, 7), g.uniform(0.01, 0.03, 7)])
    u.phase = g.uniform(0, 2 * np.pi, (2, 7))
    u.kt, u.rotor = KT * (1 + g.normal(0, 0.012, 7)), ROTOR * (1 + g.normal(0, 0.03, 7))
    u.bias, u.gain, u.zero = g.normal(0, 0.02, 7), 1 + g.normal(0, 0.01, 7), g.normal(0, 3e-4, 7)
    u.release_s, u.engage_s = g.uniform(0.11, 0.19, 7), g.uniform(0.05, 0.11, 7)
    u.mass = 1 + g.normal(0, 0.025, 8)
    return u


def make_bodies(scale: np.ndarray) -> SimpleNamespace:
    """Return the bodies: turns passed before each, mass, centre and inertia about it.

    The booms are split at their hinges; the last two bodies are loads at end A and end B.
    """
    rows: list[tuple] = []
    for k, after in enumerate((0, 1, 2, 3, 6, 9, 10, 11)):
        length = {3: BOOM_A, 6: BOOM_B}.get(after, 0.0)
        m, c, i = PLATE[k]
        m, i = m * scale[k], tuple(x * scale[k] for x in i)
        if not length:
            rows.append((after, m, c, i))
            continue
        bend = m / 2 * (length / 2) ** 2 / 12
        half = (bend, bend, i[2] / 2)
        rows.append((after, m / 2, (c[0], 0.0, length / 4), half))
        rows.append((after + 2, m / 2, (0.0, 0.0, length / 4), half))
    one = tuple(GYRATION**2)
    rows += [(0, 1.0, (0.0, 0.0, -LOAD_Z), one), (11, 1.0, (0.0, 0.0, TIP_Z + LOAD_Z), one)]
    after, mass, centre, inertia = (np.array(x) for x in zip(*rows, strict=True))
    return SimpleNamespace(after=after, mass=mass, centre=centre, inertia=inertia)


def kinematics(
    q: np.ndarray, bodies: SimpleNamespace, base_b: np.ndarray
) -> tuple[np.ndarray, ...]:
    """Return Jacobians (B, body, 11, 3) of centres and of turns, the latter in body axes,
    and the bodies' attitudes (B, body, 3, 3), all against the end that holds on.
    """
    axes, origins = np.empty((2, len(q), 11, 3))
    turn, place = np.broadcast_to(np.eye(3), (len(q), 3, 3)), np.zeros((len(q), 3))
    turns, places = [turn], [place]
    cos, sin = np.cos(q), np.sin(q)
    for k, axis in enumerate(AXES):
        place = place + turn @ OFFSETS[k]
        a = "xyz".index(axis)
        b, c = (a + 1) % 3, (a + 2) % 3
        axes[:, k], origins[:, k] = turn[:, :, a], place
        new = np.empty_like(turn)
        co, si = cos[:, k, None], sin[:, k, None]
        new[:, :, a] = turn[:, :, a]
        new[:, :, b] = co * turn[:, :, b] + si * turn[:, :, c]
        new[:, :, c] = co * turn[:, :, c] - si * turn[:, :, b]
        turn = new
        turns.append(turn)
        places.append(place)
    attitude, at = (np.stack(x, axis=1)[:, bodies.after] for x in (turns, places))
    centres = at + (attitude @ bodies.centre[..., None])[..., 0]
    # seen from end B when it holds on: its frame is then the still one
    back = np.where(base_b[:, None, None], turn, np.eye(3))
    origin = np.where(base_b[:, None], place, 0.0)
    axes = axes @ back
    origins = (origins - origin[:, None]) @ back
    centres = (centres - origin[:, None]) @ back
    attitude = np.swapaxes(back, 1, 2)[:, None] @ attitude
    passed = np.arange(11) < bodies.after[:, None]
    mask = np.where(base_b[:, None, None], -(~passed).astype(float), passed.astype(float))
    arm, ax = centres[:, :, None] - origins[:, None], axes[:, None]
    jv = np.empty_like(arm)
    for a in range(3):
        b, c = (a + 1) % 3, (a + 2) % 3
        jv[..., a] = ax[..., b] * arm[..., c] - ax[..., c] * arm[..., b]
    jv *= mask[..., None]
    jw = (ax @ attitude) * mask[..., None]
    return jv, jw, attitude


def rigid_terms(q, v, bodies, base_b, load) -> tuple[np.ndarray, np.ndarray]:
    """Return the mass matrix (B, 11, 11) and the velocity torques (B, 11), rotors left out."""
    eps, n = 1e-5, len(q)
    twice = np.concatenate([q, q + eps * v])
    jv, jw, att = kinematics(twice, bodies, np.concatenate([base_b, base_b]))
    mass = np.broadcast_to(bodies.mass, (n, len(bodies.mass))).copy()
    mass[:, -2] = np.where(base_b, load, 0.0)
    mass[:, -1] = np.where(base_b, 0.0, load)
    inertia = np.broadcast_to(bodies.inertia, (n, *bodies.inertia.shape)).copy()
    inertia[:, -2:] *= mass[:, -2:, None]

    def flat(x: np.ndarray) -> np.ndarray:
        return np.swapaxes(x, 1, 2).reshape(n, 11, -1)

    m3 = np.broadcast_to(mass[..., None], (*mass.shape, 3)).reshape(n, 1, -1)
    i3 = inertia.reshape(n, 1, -1)
    fv, fw = flat(jv[:n]), flat(jw[:n])
    matrix = (fv * m3) @ np.swapaxes(fv, 1, 2) + (fw * i3) @ np.swapaxes(fw, 1, 2)
    v2, m2, i2 = (np.concatenate([x, x]) for x in (v, mass, inertia))
    lin = np.einsum("bkjc,bj->bkc", jv, v2) * m2[..., None]
    ang = np.einsum("bkjc,bj->bkc", jw, v2) * i2
    world = (att @ ang[..., None])[..., 0]
    force = (lin[n:] - lin[:n]) / eps
    couple = (np.swapaxes(att[:n], 2, 3) @ ((world[n:] - world[:n]) / eps)[..., None])[..., 0]
    swirl = np.einsum("bkjc,bkc->bj", jv[:n], force)
    return matrix, swirl + np.einsum("bkjc,bkc->bj", jw[:n], couple)


@dataclass
class Fault:
    """One fault in one session; ticks count at the recorder's rate."""

    cause: str
    size: str
    joint: int
    start: int
    end: int
    sign: float = 1.0

    @property
    def amount(self) -> float:
        """Size in the cause's own unit."""
        return KINDS[self.cause][1][SIZES.index(self.size)]


@dataclass
class Mission:
    """What is asked of the arm in one session, at the recorder's instants."""

    start: datetime
    minutes: float
    seed: int
    cmd: np.ndarray  # (n, 7) rad/s, after the slew
    brake: np.ndarray  # (n, 7) engage asked
    enable: np.ndarray  # (n, 7) drive alive
    declared: np.ndarray  # (n,) kg
    base_b: np.ndarray  # (n,) bool
    pose: np.ndarray
    ambient: float
    role: str = "clean"
    shown: bool = True
    fault: Fault | None = None

    @property
    def edges(self) -> list[tuple[int, int, bool]]:
        """Return (tick, joint, engage) of every change of a brake command."""
        flips = np.argwhere(self.brake[1:] != self.brake[:-1])
        return [(int(k) + 1, int(j), bool(self.brake[k + 1, j])) for k, j in flips]

    @property
    def load(self) -> np.ndarray:
        """Return the true payload at each tick."""
        if self.fault is None or self.fault.cause != "load":
            return self.declared
        return self.declared * (1 + self.fault.sign * self.fault.amount)


def limits(load: float) -> tuple[float, float]:
    """Return the fastest rate (rad/s) and the slew (rad/s2) commanded with this load."""
    return VMAX / (1 + load / 1500.0), min(np.deg2rad(1.5), 700.0 / max(load * 144.0, 1.0))


def plan(seed: int, start: datetime, minutes: float, need_load: bool) -> Mission:
    """Invent one session: holds, single and joint moves, pulses, slow runs, load changes, walks."""
    g = np.random.default_rng(seed)
    n = int(minutes * 60 * LOG_HZ)
    target, brake, enable = np.zeros((n, 7)), np.ones((n, 7), bool), np.zeros((n, 7), bool)
    wobble, declared, base_b = np.ones(n), np.zeros(n), np.zeros(n, bool)
    heavy = float(np.round(np.exp(g.uniform(np.log(600), np.log(15000))), -1))
    heavy = max(heavy, 2000.0) if need_load else heavy
    load = heavy if need_load or g.random() < 0.45 else 0.0
    base = bool(g.random() < 0.5)
    pose = np.deg2rad(g.uniform(-1, 1, 7) * np.array([90, 40, 60, 0, 60, 40, 90]))
    pose[3] = np.deg2rad(g.choice([-1, 1]) * g.uniform(30, 120))
    at, angle, draw = 0, pose.copy(), g.random()
    change = "load" if draw < 0.3 and not need_load else None
    if change is None and load == 0 and draw < 0.5:
        change = "walk"
    due = g.uniform(0.35, 0.7) * n

    def sec(low: float, high: float) -> int:
        return int(g.uniform(low, high) * LOG_HZ)

    while at < n:
        hold = sec(5, 18)
        middle = at
        if change is not None and at > due:
            hold = sec(25, 50)
            middle = at + hold // 2
            declared[at:middle], base_b[at:middle] = load, base
            load = (0.0 if load else heavy) if change == "load" else load
            base, change = base ^ (change == "walk"), None
        declared[middle : at + hold], base_b[middle : at + hold] = load, base
        at = begin = at + hold
        vmax, slew = limits(load)
        style = g.choice(["single", "multi", "pulses", "slow"], p=[0.36, 0.34, 0.12, 0.18])
        count = {"single": 1, "multi": int(g.integers(2, 6))}.get(style, int(g.integers(1, 3)))
        used = g.choice(7, count, replace=False)
        freed = np.arange(7) if style == "multi" and g.random() < 0.5 else used
        at += sec(0.04, 0.3) if g.random() < 0.6 else sec(1, 4)
        moves = int(g.integers(4, 9)) if style == "pulses" else int(g.integers(1, 5))
        for _ in range(moves):
            low, high = {"slow": (0.05, 0.13), "pulses": (0.2, 0.7)}.get(style, (0.25, 1.0))
            rate = g.uniform(low, high) * vmax
            dur = sec(*{"slow": (18, 55), "pulses": (0.6, 2.2)}.get(style, (6, 28 + load / 250)))
            stop, down = min(at + dur, n), int(rate / slew * LOG_HZ)
            share = np.append(1.0, g.uniform(0.3, 1.0, count - 1))
            for j, s in zip(used, share, strict=True):
                travel = rate * s * dur / LOG_HZ
                way = 1.0 if g.random() < 0.5 else -1.0
                if abs(angle[j] + way * travel) > 2.3:
                    way = -np.sign(angle[j])
                target[at:stop, j] = way * rate * s
                angle[j] += way * travel
            at = stop + down + sec(2, 8) if g.random() > 0.25 else stop + int(1.2 * down)
        at += int(vmax / slew * LOG_HZ / 3) + sec(1.5, 4)
        at += sec(10, 25) if g.random() < 0.25 else 0
        brake[begin:at, freed] = False
        enable[begin : at + 6, freed] = True
        declared[begin:at], base_b[begin:at] = load, base
    # a hand on a controller is never quite still
    knots = g.normal(0, 0.05, n // 15 + 3)
    if g.random() < 0.6:  # else it is an automatic sequence
        wobble += np.interp(np.arange(n), np.arange(len(knots)) * 15, knots)
    cmd, now = np.zeros((n, 7)), np.zeros(7)
    for k in range(n):
        step = limits(declared[k])[1] / LOG_HZ
        now = now + np.clip(target[k] * wobble[k] - now, -step, step)
        cmd[k] = now
    cmd[brake] = 0.0
    ambient = float(g.uniform(-10, 45))
    return Mission(start, minutes, seed, cmd, brake, enable, declared, base_b, pose, ambient)


def runs(mask: np.ndarray) -> np.ndarray:
    """Return (start, stop) of the stretches where a mask holds."""
    edge = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(int), [0]])))
    return edge.reshape(-1, 2)


def place_fault(m: Mission, cause: str, size: str, seed: int) -> Fault | None:
    """Put a fault where this session can show it, or return None if it cannot."""
    g = np.random.default_rng([seed, 5])
    n, hz, part = len(m.cmd), LOG_HZ, min(1.0, m.minutes / 10)
    f = Fault(cause, size, 0, 0, n, float(g.choice([-1, 1])))
    speed = np.abs(m.cmd)
    moving = speed > np.deg2rad(0.03)
    options: list[tuple[int, int, int]] = []
    least = {"friction-step": 40, "current-offset": 20, "current-gain": 30, "friction-growth": 90}
    if cause in least:
        for j in np.repeat(range(7), 4):
            s, e = 0 if cause == "friction-growth" else int(g.uniform(0.2, 0.75) * n), n
            if cause.startswith("current"):
                low = (60 if cause == "current-offset" else 120) * part * hz
                e = min(n, s + int(g.uniform(low, 4 * low)))
            enough = moving[s:e, j].sum() >= least[cause] * part * hz
            if enough and (cause != "friction-step" or moving[:, j].sum() > 55 * part * hz):
                options.append((int(j), s, e))
    elif cause == "load":
        f.sign = 1.0 if size == "large" else f.sign
        q, where = np.zeros((2, 11)), np.flatnonzero(m.declared > 0)
        q[:, ACT] = m.pose
        both, bodies = np.array([0.0, m.declared.max() * f.amount]), make_bodies(np.ones(8))
        mass, _ = rigid_terms(q, q * 0, bodies, m.base_b[[0, 0]], both)
        more = np.abs(np.diff(m.cmd, axis=0) * hz @ (mass[1] - mass[0])[np.ix_(ACT, ACT)])
        felt = more * (speed[1:] > 0)  # Nm; the moving joint that feels it most is named
        j = int(np.argmax((felt**2).sum(0)))
        if (felt[:, j] > 100.0).sum() > 10 * part * hz:
            options = [(j, int(where[0]), int(where[-1]) + 1)]
    elif cause in ("brake-drag", "late-release", "late-release-lying"):
        for k, j, engaged in m.edges:
            if engaged:
                continue
            stop = next((e for e, i, on in m.edges if i == j and on and e > k), n)
            total = np.cumsum(moving[k:stop, j]) / hz
            if cause == "brake-drag":
                want = g.uniform(20, 60) * part
                if len(total) and total[-1] >= 20 * part:
                    options.append((j, k, k + int(np.searchsorted(total, want)) + 1))
                continue
            under_way = min(k + int((0.15 + f.amount) * hz), n - 1)
            if len(total) > 2 * hz and speed[under_way, j] > np.deg2rad(0.15):
                options.append((j, k, k + int((f.amount + 0.2) * hz) + 1))
    elif cause == "brake-slip":
        for j in range(7):
            for s, e in runs(m.brake[:, j]):
                if e - s > 8 * hz:
                    at = int(g.uniform(s + 2 * hz, e - 5 * hz)) if e - s > 16 * hz else s + 2 * hz
                    dur = int(g.uniform(2, min(10, (e - at) / hz - 1)) * hz)
                    options.append((j, at, at + dur))
    else:
        wants = {
            "stick-slip": (10, (speed < np.deg2rad(0.6)) & moving),
            "stall": (f.amount + 1.5, speed > 0.2 * limits(m.declared.max())[0]),
            "angle-stuck": (f.amount + 1, speed > np.deg2rad(0.15)),
            "angle-jump": (2, (speed < np.deg2rad(0.8)) & ~m.brake),
        }
        long_enough, mask = wants[cause]
        for j in range(7):
            way = np.sign(m.cmd[:, j])
            for sign in (-1, 0, 1):
                for s, e in runs(mask[:, j] & (way == sign)):
                    if e - s < long_enough * hz or (sign == 0 and cause != "angle-jump"):
                        continue
                    if cause == "stick-slip":
                        options.append((j, s, min(e, s + int(g.uniform(10, 30) * hz))))
                    else:
                        long = 2 * hz if cause == "angle-jump" else int(f.amount * hz)
                        at = int(g.uniform(s, e - long))
                        options.append((j, at, at + long))
    options = [o for o in options if o[1] < o[2] <= n]
    if not options:
        return None
    f.joint, f.start, f.end = options[int(g.integers(len(options)))]
    return f


def friction_factor(m: Mission) -> np.ndarray | None:
    """Return the factor on the faulty joint's Coulomb friction at each tick, or None."""
    f = m.fault
    if f is None or f.cause not in ("friction-step", "friction-growth", "brake-drag", "stick-slip"):
        return None
    n = len(m.cmd)
    inside = (np.arange(n) >= f.start) & (np.arange(n) < f.end)
    if f.cause == "friction-growth":
        return 1 + f.amount * np.arange(n) / n
    if f.cause != "stick-slip":
        return 1 + f.amount * inside
    # sticking builds up and lets go about once a second of travel, never twice alike
    g = np.random.default_rng([m.seed, 13])
    travel = np.cumsum(np.abs(m.cmd[:, f.joint])) / LOG_HZ
    pitch = np.median(np.abs(m.cmd[f.start : f.end, f.joint])) * g.uniform(0.7, 1.4)
    saw = (travel / pitch + np.cumsum(g.normal(0, 0.02, n))) % 1.0
    return 1 + f.amount * inside * np.where(saw < 0.85, saw / 0.85, (1 - saw) / 0.15)


def simulate(missions: list[Mission], unit: SimpleNamespace) -> list[dict[str, np.ndarray]]:
    """Run sessions side by side and return for each what really happened at the recorder's rate."""
    s, n = len(missions), len(missions[0].cmd)
    bodies = make_bodies(unit.mass)
    torque_a = GEAR * unit.kt
    rotor, rotor_act = np.zeros(11), GEAR**2 * unit.rotor
    rotor[ACT] = rotor_act
    scat = np.stack([np.random.default_rng([m.seed, 3]).normal(0, 0.02, (2, 7)) for m in missions])
    coulomb0, viscous0 = unit.coulomb * (1 + scat[:, 0]), unit.viscous * (1 + scat[:, 1])
    q, v = np.zeros((2, s, 11))
    q[:, ACT] = np.stack([m.pose for m in missions])
    latch, braked = q[:, ACT].copy(), np.ones((s, 7))
    integral, z, carried, current = np.zeros((4, s, 7))
    cmds, enables = (np.stack([getattr(m, key) for m in missions]) for key in ("cmd", "enable"))
    load, base = (np.stack([getattr(m, key) for m in missions]) for key in ("load", "base_b"))
    ambient0 = np.array([m.ambient for m in missions])
    drift = np.array([np.random.default_rng([m.seed, 4]).uniform(0, 6.28) for m in missions])
    grease, sensor = (ambient0[:, None] + np.zeros((s, 7)) for _ in range(2))
    factors = [(k, m.fault.joint, friction_factor(m)) for k, m in enumerate(missions) if m.fault]
    factors = [x for x in factors if x[2] is not None]
    rows_f, cols_f = (np.array([x[k] for x in factors], int) for k in (0, 1))
    table_f = np.stack([x for _, _, x in factors], 1) if factors else np.ones((n, 0))
    events: list[tuple[int, int, int, bool]] = []
    words = np.stack([m.brake for m in missions])
    for k, m in enumerate(missions):
        g = np.random.default_rng([m.seed, 6])
        for tick, j, engaged in m.edges:
            delay = unit.engage_s[j] if engaged else unit.release_s[j]
            delay = delay * (1 + g.normal(0, 0.06)) + (0 if engaged else 0.02 * (m.ambient < 0))
            said, f = delay, m.fault
            if f and f.cause.startswith("late") and (f.joint, f.start) == (j, tick):
                delay += f.amount
                said = said if f.cause.endswith("lying") else delay
            events.append((int((tick / LOG_HZ + delay) / DT), k, j, engaged))
            words[k, tick : tick + int(np.ceil(said * LOG_HZ)), j] = not engaged
    events = [*sorted(events), (n * STEPS + 1, 0, 0, False)]
    walls, slips, hits, next_event = [], [], {}, 0
    for k, m in enumerate(missions):
        f = m.fault
        if f and f.cause == "stall":
            walls.append((f.start, f.end, k, f.joint, np.sign(m.cmd[f.start, f.joint])))
        if f and f.cause == "brake-slip":
            slips.append((f.start, f.end, k, f.joint, f.sign * f.amount))
    out_q, out_t = np.empty((n, s, 7)), np.empty(((n - 1) // LOG_HZ + 1, s, 7))
    out_i, out_f = np.empty((n, s, 7), np.float32), np.empty((n, s, 7), np.float32)
    stiff, implicit, torque = np.zeros(11), np.zeros(11), np.zeros((s, 11))
    stiff[FLEX], implicit[FLEX] = FLEX_K, FLEX_D + DT * FLEX_K
    for tick in range(n):
        if tick % UPDATE_TICKS == 0:
            matrix, swirl = rigid_terms(q, v, bodies, base[:, tick], load[:, tick])
            matrix[:, range(11), range(11)] += rotor + DT * implicit
            inverse = np.linalg.inv(matrix) * DT
        qa = q[:, ACT]
        out_q[tick], out_i[tick] = qa, current
        if tick % LOG_HZ == 0:
            out_t[tick // LOG_HZ] = sensor
        heat = np.abs(out_f[tick - 1] * v[:, ACT]) if tick else 0.0
        orbit = 5.0 * (np.sin(tick / LOG_HZ * 2 * np.pi / 5520 + drift) - np.sin(drift))
        around = (ambient0 + orbit)[:, None]
        grease += (HEAT_K_W * heat + around - grease) / (HEAT_TAU * LOG_HZ)
        sensor += (grease - sensor) / (LAG_S * LOG_HZ)
        cold = viscous0 * np.exp(-unit.thinning * (grease - 20.0))
        factor = np.ones((s, 7))
        factor[rows_f, cols_f] = table_f[tick]
        turns = [np.sin(RIPPLE_ORDERS[k] * qa + unit.phase[k]) for k in (0, 1)]
        ripple = 1 + unit.ripple[0] * turns[0] + unit.ripple[1] * turns[1]
        dry = coulomb0 * factor * ripple + 0.08 * np.abs(carried)
        cmd, enable = cmds[:, tick], enables[:, tick].astype(float)
        integral *= enable
        wall_now = [x[2:] for x in walls if x[0] <= tick < x[1]]
        for k, j, _ in wall_now:
            hits.setdefault(k, qa[k, j])
        slip_now = [(k, j, x / (b - a) / STEPS) for a, b, k, j, x in slips if a <= tick < b]
        for sub in range(STEPS):
            while events[next_event][0] <= tick * STEPS + sub:
                _, k, j, engaged = events[next_event]
                latch[k, j], braked[k, j] = q[k, ACT[j]], float(engaged)
                next_event += 1
            for k, j, creep in slip_now:
                latch[k, j] += creep
            va, qa = v[:, ACT], q[:, ACT]
            error = (cmd - va) * enable
            wanted = KP * error + integral
            current = np.clip(wanted, -CURRENT_LIMIT, CURRENT_LIMIT)
            integral += (KI * DT) * error * (wanted == current)
            fast = np.abs(va)
            level = dry * (1 + unit.skew * np.sign(va))
            level *= 1 + (unit.stribeck - 1) * np.exp(-((va / STRIBECK_V) ** 2))
            old = z
            z = (z + DT * va) / (1 + (DT * SIGMA0) * fast / level)
            friction = SIGMA0 * z + (SIGMA1 / DT) * (z - old) * np.exp(-fast / DAMP_V)
            friction += cold * va / (1 + 3.0 * fast)
            hold = BRAKE_K * (qa - latch) + BRAKE_D * va
            capped = np.clip(hold, -BRAKE_NM, BRAKE_NM)
            latch += (hold - capped) / BRAKE_K
            push = torque_a * current - friction - braked * capped
            for k, j, way in wall_now:
                push[k, j] -= way * WALL_K * max(0.0, way * (qa[k, j] - hits[k]))
            torque[:] = -stiff * q - implicit * v - swirl
            torque[:, ACT] += push
            change = (inverse @ torque[..., None])[..., 0]
            v += change
            q += DT * v
        out_f[tick] = friction
        carried += 0.4 * ((push - rotor_act * change[:, ACT] / DT) * (1 - braked) - carried)
    record = {"angle": out_q, "current": out_i, "sensor_c": out_t, "friction": out_f}
    return [
        {**{key: x[:, k].astype(float) for key, x in record.items()}, "word": words[k]}
        for k in range(s)
    ]


UNITS = {"angle": "rad", "commanded_rate": "deg/s", "current": "A", "temperature": "degC"}
WORDS = {"angle": "POS", "commanded_rate": "ASK", "current": "MOT", "temperature": "HSG"}
WORDS |= {"brake_command": "BRKASK", "brake_state": "BRK"}


def heads() -> dict[str, list[str]]:
    """Return the recorder's column names by quantity."""
    tail = {key: f"{w}[{UNITS[key]}]" if key in UNITS else w for key, w in WORDS.items()}
    return {key: [f"{j} {t}" for j in JOINTS] for key, t in tail.items()}


def readings(m: Mission, true: dict, unit: SimpleNamespace) -> dict[str, np.ndarray]:
    """Return what the sensors say: noise, bias, steps, and the faults that sit in sensors."""
    g = np.random.default_rng([m.seed, 8])
    n, f = len(m.cmd), m.fault or Fault("", "", 0, 0, 0)
    angle = true["angle"] + unit.zero + g.normal(0, 0.25 * ANGLE_LSB, (n, 7))
    angle = np.round(angle / ANGLE_LSB) * ANGLE_LSB
    current = true["current"].copy()
    if f.cause == "current-gain":
        current[f.start : f.end, f.joint] *= 1 + f.sign * f.amount
    if f.cause == "current-offset":
        moving = np.abs(m.cmd[:, f.joint]) > np.deg2rad(0.03)
        typical = np.median(np.abs(current[moving, f.joint]))
        current[f.start : f.end, f.joint] += f.sign * f.amount * typical
    current = current * unit.gain + unit.bias + g.normal(0, 0.003, 7) + g.normal(0, 0.012, (n, 7))
    current = np.clip(np.round(current / CURRENT_LSB), -2048, 2047) * CURRENT_LSB
    if f.cause == "angle-jump":
        angle[f.start :, f.joint] += f.sign * f.amount * ANGLE_LSB
    if f.cause == "angle-stuck":
        angle[f.start : f.end, f.joint] = angle[f.start, f.joint]
    sensor = np.round(true["sensor_c"] + g.normal(0, 0.06, true["sensor_c"].shape), 1)
    keep = g.random(n) > 0.001
    keep[[0, -1]] = True
    return {"angle": angle, "current": current, "sensor_c": sensor, "keep": keep}


def write_log(path: Path, m: Mission, true: dict, unit: SimpleNamespace) -> None:
    """Write one session's log."""
    said, n = readings(m, true, unit), len(m.cmd)
    start = np.datetime64(m.start.replace(tzinfo=None), "ms")
    times = np.datetime_as_string(start + np.arange(n) * (1000 // LOG_HZ), unit="ms")
    columns: list[list[str]] = [[t + "Z" for t in times]]
    columns += [[f"{x:.7f}" for x in c] for c in said["angle"].T]
    columns += [[f"{x:.4f}" for x in c] for c in np.rad2deg(m.cmd).T]
    columns += [[f"{x:.5f}" for x in c] for c in said["current"].T]
    for c in said["sensor_c"].T:
        cells = [""] * n
        cells[::LOG_HZ] = [f"{x:.1f}" for x in c]
        columns.append(cells)
    for words in (m.brake, true["word"]):
        columns += [np.where(c, "SET", "FREE").tolist() for c in words.T]
    columns.append([f"{x:.0f}" for x in m.declared] if m.shown else [""] * n)
    columns.append(np.where(m.base_b, "B", "A").tolist())
    names = [h for group in heads().values() for h in group]
    head = ["CLOCK[UTC]", *names, "LOAD DECLARED[kg]", "HOLDING END"]
    kept = [",".join(r) for *r, k in zip(*columns, said["keep"], strict=True) if k]
    path.write_text("\n".join([",".join(head), *kept]) + "\n")


def write_map(path: Path) -> None:
    """Write the log map."""
    words = 'words = { SET = "engaged", FREE = "released" }\n'
    text = "# The walker's recorder: 25 rows a second, temperatures once a second.\n[log]\n"
    text += f'layout = "wide"\njoints = {json.dumps(CANONICAL)}\nnumbering = "A"\n'
    text += '\n[time]\ncolumn = "CLOCK[UTC]"\nformat = "iso8601"\n'
    for key, names in heads().items():
        text += f"\n[joint.{key}]\ncolumns = {json.dumps(names)}\n"
        text += f'unit = "{UNITS[key]}"\n' if key in UNITS else words
    text += '\n[session.payload]\ncolumn = "LOAD DECLARED[kg]"\nunit = "kg"\n'
    text += '\n[session.base_end]\ncolumn = "HOLDING END"\n'
    path.write_text(text)


def link_toml(k: int) -> str:
    """Return a name-plate link as TOML lines."""
    m, c, i = PLATE[k]
    six = [round(x, 4) for x in (*i, 0.0, 0.0, 0.0)]
    return f"mass_kg = {m}\ncentre_m = {list(c)}\ninertia_kg_m2 = {six}\n"


def write_arm(folder: Path) -> None:
    """Write the name-plate arm file and one with the joints' names only."""
    text = (
        "# Tamarisk: an invented walking arm, by its name-plate; the real one differs a little.\n"
    )
    text += '[arm]\nname = "Tamarisk"\ngravity_m_s2 = [0.0, 0.0, 0.0]\nconvention = "fixed"\n'
    text += f"\n[arm.tip]\nxyz_m = [0.0, 0.0, {TIP_Z}]\n"
    text += f"\n[arm.payload]\ncentre_m = [0.0, 0.0, {LOAD_Z}]\n"
    text += f"gyration_m = {GYRATION.tolist()}\n\n[arm.base_link]\n{link_toml(0)}"
    names = '[arm]\nname = "Tamarisk"\n'
    roles = [f"{a} {t}" for a in ("shoulder", "wrist") for t in ("roll", "yaw", "pitch")]
    roles = [*roles[:3], "elbow pitch", *roles[:2:-1]]
    for k, name in enumerate(CANONICAL):
        turn = int(ACT[k])  # the hinge in the middle of a boom is not in the arm file
        before = OFFSETS[turn] + (OFFSETS[turn - 2] if turn in (5, 8) else 0.0)
        axis = [float(a == AXES[turn]) for a in "xyz"]
        row = f'\n[[joints]]\nname = "{name}"\n'
        names += row
        text += row + f'serial = "TM-{31 + k}"\nrole_base_a = "{roles[k]}"\n'
        text += f'role_base_b = "{roles[6 - k]}"\nangle_range_deg = [-270.0, 270.0]\n'
        text += f"rate_limit_deg_s = 4.0\ngear_ratio = {GEAR}\ntorque_constant_nm_a = {KT}\n"
        text += "efficiency_drive = 0.92\nefficiency_backdrive = 0.92\n"
        text += f"motor_inertia_kg_m2 = {ROTOR}\ncurrent_limit_a = {CURRENT_LIMIT}\n"
        text += f"brake_torque_nm = {BRAKE_NM}\nripple_orders = {list(RIPPLE_ORDERS)}\n"
        text += f"[joints.geometry]\nxyz_m = {before.round(6).tolist()}\naxis = {axis}\n"
        text += f"[joints.link]\n{link_toml(k + 1)}"
    (folder / "arm.toml").write_text(text)
    (folder / "names-only.toml").write_text(names)


def campaign(seed, training, clean, faults, minutes, undeclared=False) -> list[Mission]:
    """Plan all sessions, in the order in which they were flown."""
    g = np.random.default_rng([seed, 1])
    roles = [("training", "", "")] * training + [("clean", "", "")] * clean
    pairs = [("fault", c, z) for z in SIZES for c in CAUSES]
    roles += [pairs[k % len(pairs)] for k in range(faults)]
    rest = roles[training:]
    roles = roles[:training] + [rest[k] for k in g.permutation(len(rest))]
    when, out = datetime(2041, 3, 2, 7, 30), []
    for index, (role, cause, size) in enumerate(roles):
        when += timedelta(days=int(g.integers(1, 5)), minutes=int(g.integers(-90, 90)))
        for attempt in range(60):
            own = 1_000_003 * seed + 1009 * index + attempt
            mission = plan(own, when, minutes, cause == "load")
            mission.fault = place_fault(mission, cause, size, own) if cause else None
            if not cause or mission.fault:
                break
        else:
            raise ValueError(f"no {minutes} minute session was found that can show {cause}")
        mission.role = role
        mission.shown = not (undeclared and index % 3 == 2 and cause != "load")
        out.append(mission)
    return out


def truth_of(m: Mission, name: str) -> dict[str, object]:
    """Return a session's entry in the truth file."""

    def iso(tick: int) -> str:
        return (m.start + timedelta(seconds=tick / LOG_HZ)).isoformat(timespec="milliseconds") + "Z"

    listed = []
    if f := m.fault:
        span = {"start": iso(f.start), "end": iso(max(f.end, f.start + 1))}
        what = {"joint": CANONICAL[f.joint], "cause": f.cause, "kind": KINDS[f.cause][0]}
        listed.append({**what, **span, "size": f.size})
    head = {"file": name, "role": m.role, "start": iso(0), "minutes": m.minutes}
    return {**head, "declared_load": m.shown, "faults": listed}


def main() -> None:
    """Write logs, map, arm files and truth."""
    ask = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    ask.add_argument("out", type=Path)
    for name, default in (("seed", 1), ("training", 12), ("clean", 12), ("faults", 39)):
        ask.add_argument(f"--{name}", type=int, default=default)
    ask.add_argument("--minutes", type=float, default=20.0)
    ask.add_argument("--undeclared", action="store_true", help="leave a third of the loads out")
    a = ask.parse_args()
    (a.out / "logs").mkdir(parents=True, exist_ok=True)
    write_map(a.out / "map.toml")
    write_arm(a.out)
    unit, truth = make_unit(a.seed), []
    missions = campaign(a.seed, a.training, a.clean, a.faults, a.minutes, a.undeclared)
    for batch in (missions[k : k + 64] for k in range(0, len(missions), 64)):
        for m, true in zip(batch, simulate(batch, unit), strict=True):
            name = f"logs/walk-{m.start:%Y%m%d-%H%M}.csv"
            write_log(a.out / name, m, true, unit)
            truth.append(truth_of(m, name))
    (a.out / "truth.json").write_text(json.dumps({"sessions": truth}, indent=1) + "\n")


if __name__ == "__main__":
    main()
