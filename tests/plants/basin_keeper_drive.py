"""The basin keeper's drives, seals and brakes, and the clock that steps all sessions together.

Friction is elastic before it slides: a stretched gear holds up to a limit made of gear and seal
friction (direction, place, warmth, depth, wear-in since the start), a share of the torque carried,
and a slow-speed rise. A brake is the same with a far higher limit. The loop is proportional in
angle and proportional-integral in rate, on the motor's own resolver, and is let go by the brake's
word.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.plants.basin_keeper_body import (
    AXES,
    LENGTHS_M,
    MASSES_KG,
    NAMES,
    PAYLOAD_CENTRE_M,
    WET_GRAVITY_M_S2,
    Array,
    Bodies,
    link_inertia,
)
from tests.plants.basin_keeper_crew import HZ, Fault, Plan

TICK_S = 0.02
PER_ROW = 1 / (HZ * TICK_S)
"""Ticks in a row of the recorder."""
_INNER = 4
# The arm reads the same from both ends, so these hold in base order too.
_LARGE = np.array([1, 1, 0, 1, 0, 1, 1], dtype=bool)
GEAR = np.where(_LARGE, 120.0, 100.0)
TORQUE_CONSTANT_NM_A = np.where(_LARGE, 0.55, 0.35)
ROTOR_KG_M2 = np.where(_LARGE, 0.0040, 0.0022)
CURRENT_LIMIT_A = np.where(_LARGE, 18.0, 15.0)
BRAKE_NM = np.where(_LARGE, 1500.0, 600.0)
COULOMB_NM = np.where(_LARGE, 42.0, 15.0)
SEAL_NM = np.where(_LARGE, 15.0, 7.0)
VISCOUS_NM_S = np.where(_LARGE, 230.0, 60.0)
_RATE_GAIN = np.where(_LARGE, 5500.0, 1400.0)
_STIFF = np.where(_LARGE, 1.5e5, 5e4)
_BRAKE_STIFF = np.where(_LARGE, 2.5e6, 8e5)


@dataclass
class Units:
    """Seven joint units as they are, end A first: what the arm file does not know."""

    constant: Array
    rotor: Array
    coulomb: Array
    seal: Array
    viscous: Array
    lean: Array
    place: Array
    carried: Array
    release_s: Array
    engage_s: Array
    sensor_gain: Array
    cogging: Array


def units(rng: np.random.Generator) -> Units:
    """Draw the hardware of one campaign."""
    about = (
        1 + rng.standard_normal((6, 7)) * np.array([0.025, 0.04, 0.12, 0.12, 0.12, 0.1])[:, None]
    )
    return Units(
        constant=TORQUE_CONSTANT_NM_A * GEAR * about[0],
        rotor=ROTOR_KG_M2 * GEAR**2 * about[1],
        coulomb=COULOMB_NM * about[2],
        seal=SEAL_NM * about[3],
        viscous=VISCOUS_NM_S * about[4],
        lean=rng.normal(0, 0.05, 7),
        place=rng.uniform(0, 2 * np.pi, (2, 7)),
        carried=0.06 * about[5],
        release_s=rng.uniform(0.12, 0.20, 7),
        engage_s=rng.uniform(0.06, 0.10, 7),
        sensor_gain=1 + rng.normal(0, 0.01, 7),
        cogging=rng.uniform(0.01, 0.03, 7),
    )


@dataclass
class Block:
    """A joint runs into something between two ticks."""

    session: int
    joint: int
    first: int
    last: int
    at: float = 0.0
    way: float = 0.0


@dataclass
class Slip:
    """A shut brake creeps by ``angle`` in all, the way that the load pulls it."""

    session: int
    joint: int
    first: int
    last: int
    angle: float
    way: float = 0.0


@dataclass
class Setting:
    """What S sessions are given, joints in base order, N ticks of `TICK_S`."""

    start: Array  # (S, 7) rad
    asked: NDArray[np.float32]  # (N, S, 7) rad/s
    word: NDArray[np.bool_]  # (N, S, 7) the brake's word: shut
    shut: NDArray[np.bool_]  # (N, S, 7) the brake itself
    friction: NDArray[np.float32]  # (N, S, 7) factor on the Coulomb part
    load: dict[str, NDArray[np.float32]]  # (N, S) mass, weight, drag of what hangs on the tip
    stream: dict[str, Array]  # amplitude, period, phase (S, 4), mean (S,)
    warm: Array  # (S,) water, degC
    depth: Array  # (S,) of the socket, m
    session_friction: Array  # (S, 7)
    wear_in: Array  # (S, 7)
    unit: Units  # arrays (S, 7) in base order
    turned: Array  # (S, 7) sign of the joint's own angle against the one from the base
    blocks: list[Block] = field(default_factory=list)
    slips: list[Slip] = field(default_factory=list)


@dataclass
class Run:
    """What happened, (N, S, 7)."""

    angle: NDArray[np.float32]
    current: NDArray[np.float32]
    warmth: NDArray[np.float32]


def run(setting: Setting, body: Bodies) -> Run:
    """Step all sessions to their end."""
    u, ticks = setting.unit, len(setting.asked)
    h = TICK_S / _INNER
    q = setting.start.copy()
    n, k = q.shape
    v, held, wound, pinch = (np.zeros((n, k)) for _ in range(4))
    wanted, tau, travelled = q.copy(), np.zeros((n, k)), np.zeros((n, k))
    warmth = np.repeat(setting.warm[:, None], 7, 1) + 1.0
    limit = u.constant * CURRENT_LIMIT_A
    out = Run(*(np.empty((ticks, n, k), np.float32) for _ in range(3)))
    last = body.placed(q)[0]
    level, viscous = u.coulomb, u.viscous
    for tick in range(ticks):
        mass = setting.load["mass"][tick]
        body.mass_kg[:, -1], body.weight_n[:, -1] = mass, setting.load["weight"][tick]
        body.drag[:, -1] = setting.load["drag"][tick]
        jac, axes, origin, along = body.placed(q)
        inverse = np.linalg.inv(body.mass_matrix(jac, axes))
        outside = body.pull(jac, along, last, v, TICK_S, _water(setting.stream, tick * TICK_S))
        last = jac
        if tick % 25 == 0:
            depth = setting.depth[:, None] - origin[0]
            seal = u.seal * (1 + 0.045 * depth) * np.exp(-0.008 * (warmth - 12))
            fresh = 1 + setting.wear_in * np.exp(-travelled / 1.2)
            level = (u.coulomb * np.exp(-0.004 * (warmth - 12)) + seal) * setting.session_friction
            level = level * fresh
            viscous = u.viscous * np.exp(-0.02 * (warmth - 12))
        own = q * setting.turned
        place = 1 + 0.04 * np.sin(own + u.place[0]) + 0.02 * np.sin(5 * own + u.place[1])
        slide = level * place * (1 + u.lean * np.sign(v * setting.turned)) * setting.friction[tick]
        rise = 1 + 0.18 * np.exp(-((v / 0.006) ** 2))
        free = ~setting.word[tick]
        shut = setting.shut[tick]
        asked = setting.asked[tick] * free
        pinch *= shut
        creep = np.zeros((n, k))
        for slip in setting.slips:
            if slip.first <= tick < slip.last:
                s, j = slip.session, slip.joint
                slip.way = slip.way or float(np.sign(pinch[s, j]) or 1.0)
                creep[s, j] = slip.way * slip.angle / ((slip.last - slip.first) * TICK_S)
        blocked = [b for b in setting.blocks if b.first <= tick < b.last]
        for _ in range(_INNER):
            lag = np.minimum(np.maximum(wanted - q, -0.035), 0.035) * free
            wanted = q + lag + asked * h
            slack = np.where(np.abs(lag) < 4e-4, 0.0, lag)
            short = asked + 1.5 * slack - v
            full = _RATE_GAIN * short + wound
            tau = np.minimum(np.maximum(full, -limit), limit) * free
            wound += (4.0 * h) * _RATE_GAIN * short * free * (np.abs(full) < limit)
            most = (slide + u.carried * np.abs(tau)) * rise
            held = np.minimum(np.maximum(held + _STIFF * h * v, -most), most)
            pinch = (
                np.minimum(np.maximum(pinch + _BRAKE_STIFF * h * (v - creep), -BRAKE_NM), BRAKE_NM)
                * shut
            )
            push = tau - held - viscous * v - pinch - 2000.0 * (v - creep) * shut + outside
            for b in blocked:
                s, j = b.session, b.joint
                if not b.way:
                    b.at, b.way = q[s, j], float(np.sign(asked[s, j]) or 1.0)
                into = q[s, j] - b.at
                if into * b.way > 0:
                    push[s, j] -= 6e4 * into + 1500.0 * v[s, j]
            v = v + h * (inverse @ push[:, :, None])[:, :, 0]
            q = q + h * v
        current = tau / u.constant
        travelled += np.abs(v) * TICK_S
        heat = 0.9 * current**2 + 0.2 * np.abs(v * held)
        warmth += TICK_S / 500 * (heat - (warmth - setting.warm[:, None]))
        out.angle[tick], out.current[tick], out.warmth[tick] = q, current, warmth
    return out


def _water(stream: dict[str, Array], now_s: float) -> Array:
    """Return the water's speed (3, S): along the wall (y), a little off it (z)."""
    waves = stream["size"] * np.sin(2 * np.pi * now_s / stream["period"] + stream["phase"])
    along = stream["mean"] + waves.sum(-1)
    return np.stack([0.3 * waves[:, -1], along, 0.25 * along])


def set_brakes(g: Setting, n: int, p: Plan, f: Fault | None, rng: np.random.Generator) -> None:
    """Write the brakes and their words, which follow the crew's word with their delays."""
    for j in range(7):
        for row in np.flatnonzero(np.diff(p.shut[:, j])) + 1:
            shut, late = bool(p.shut[row, j]), max(0.6, 1 + 0.08 * rng.standard_normal())
            u = g.unit.engage_s if shut else g.unit.release_s
            delay = float(u[n, j]) * late
            here = f is not None and f.joint == j and f.first == row and not shut
            word = delay + (f.amount if f and here and f.cause == "late-release" else 0.0)
            real = word + (f.amount if f and here and f.cause == "late-release-lying" else 0.0)
            at = row / HZ
            g.word[int((at + word) / TICK_S) :, n, j] = shut
            g.shut[int((at + real) / TICK_S) :, n, j] = shut


def spoil(g: Setting, n: int, f: Fault) -> None:
    """Put a fault of the mechanics into the setting; sensors' faults come with the log."""
    a, b, j = int(f.first * PER_ROW), int(f.last * PER_ROW), f.joint
    factor = g.friction[a:b, n, j]
    if f.cause in ("friction-step", "brake-drag"):
        factor *= 1 + f.amount
    elif f.cause == "friction-growth":
        factor *= np.linspace(1, 1 + f.amount, b - a, dtype=np.float32)
    elif f.cause == "stick-slip":
        grip = (np.arange(b - a) * TICK_S * (0.7 + 0.9 * f.part)) % 1
        factor *= (1 + f.amount * (2 * grip - 1)).astype(np.float32)
    elif f.cause == "blocked":
        g.blocks.append(Block(n, j, a, b))
    elif f.cause == "brake-slip":
        g.slips.append(Slip(n, j, a, b, f.amount / 1000))


def arm_file() -> str:
    """Return the arm file: what the yard believes of its arm."""

    def link(b: int) -> str:
        i, _, k = link_inertia(b)
        return (
            f"mass_kg = {MASSES_KG[b]}\ncentre_m = [0.0, 0.0, {LENGTHS_M[b] / 2:.4f}]\n"
            f"inertia_kg_m2 = [{i:.4f}, {i:.4f}, {k:.4f}, 0.0, 0.0, 0.0]\n"
        )

    text = (
        f'[arm]\nname = "Basin keeper"\ngravity_m_s2 = [-{WET_GRAVITY_M_S2}, 0.0, 0.0]\n'
        f'convention = "fixed"\n[arm.tip]\nxyz_m = [0.0, 0.0, {LENGTHS_M[7]}]\n'
        f"[arm.payload]\ncentre_m = [0.0, 0.0, {PAYLOAD_CENTRE_M}]\n[arm.base_link]\n{link(0)}"
    )
    for k, name in enumerate(NAMES):
        axis = [int(a == AXES[k]) for a in range(3)]
        text += (
            f'\n[[joints]]\nname = "{name}"\nserial = "BK-{41 + 3 * k}"\n'
            f"angle_range_deg = [-170.0, 170.0]\nrate_limit_deg_s = 15.0\n"
            f"gear_ratio = {GEAR[k]}\n"
            f"torque_constant_nm_a = {TORQUE_CONSTANT_NM_A[k]}\n"
            f"efficiency_drive = 0.94\nefficiency_backdrive = 0.94\n"
            f"motor_inertia_kg_m2 = {ROTOR_KG_M2[k]}\n"
            f"current_limit_a = {CURRENT_LIMIT_A[k]}\n"
            f"brake_torque_nm = {BRAKE_NM[k]}\n"
            f"[joints.geometry]\nxyz_m = [0.0, 0.0, {LENGTHS_M[k]}]\naxis = {axis}\n"
            f"[joints.link]\n{link(k + 1)}"
        )
    return text
