"""Quay handler: an invented seven-joint electric arm on a quay, standing on either of two fixtures.

Rigid body: stacked Jacobians give the mass matrix, running sums the Coriolis part; gravity pulls.
Harmonic drives: a bristle friction law (after LuGre, from memory) with 0.02 deg of presliding, a
Stribeck bump, a Coulomb part that falls as the grease warms and grows with the load carried, a
grease drag that thins with shear and warmth, and torque ripple 2 and 4 times a turn of the wave
generator. The torque constant falls with the winding's temperature; winding and housing are two
thermal masses; one lagging 0.5 K sensor serves a group of joints. Control: position over speed
with integrator, setpoints at 50 Hz, feed-forward of acceleration, friction and a gravity model a
little wrong; a held joint's drive is off. Brakes lock rigidly, let go 80-130 ms after they are
asked, bite 60 ms after; the drive moves 0.16 s after asking, whatever they did. Recorder: 25 Hz
with jittering stamps, 16 bit angles, a 10 bit current converter with a drifting zero, no rates.

Odd about it: loads are seven times the friction and more, the loop never sees the recorder's
sensors, the same joint is shoulder one day and wrist the next, a third of the sessions carry a
workpiece that nobody declared. Not modelled: torsion of the drives, backlash, flexing tubes.
"""

from __future__ import annotations

import argparse
import json
from collections import namedtuple
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from numpy.random import Generator as Rng

NAMES = tuple(f"Q{n}" for n in range(1, 8))
G, DEG = 9.81, np.pi / 180
TICK, INNER = 0.02, 8  # s: setpoints, rigid body, brakes; friction and control steps in it
DT = TICK / INNER
COUNT, ASK_TO_MOVE = 2 * np.pi / 65536, 0.16  # rad, resolution of a logged angle; s
PITCH = np.array([0, 1, 0, 1, 0, 1, 0], dtype=bool)  # the large drives
GEAR, KT = np.where(PITCH, 160.0, 120.0), np.where(PITCH, 0.60, 0.42)  # N m/A at 20 degC
LIMIT_A, ROTOR = np.where(PITCH, 24.0, 16.0), np.where(PITCH, 4.0e-4, 3.0e-4)  # A, kg m2
COULOMB = np.where(PITCH, 85.0, 48.0)  # N m at 20 degC, unloaded
RATE_MAX = np.where(PITCH, 10.0, 15.0)  # deg/s
RANGE = np.array([150.0, 75.0, 150.0, 105.0, 150.0, 75.0, 150.0])  # deg, used by the crew
GROUP = np.array([0, 0, 0, 0, 1, 1, 1])  # temperature sensor of each joint
# The joints' places and the tip's with the arm straight up on end A; turning axes.
X = np.array([0, 0, 0, 0.06, 0, 0, 0, 0])
PLACE = np.stack([X, 0 * X, [0.18, 0.40, 0.95, 1.50, 2.05, 2.60, 2.82, 3.00]], axis=1)
AXIS = np.eye(3)[[2, 1, 2, 1, 2, 0, 2]]
# Bodies, the one at end A first: kg, m.
MASS = np.array([9.0, 12.0, 14.0, 13.0, 14.0, 13.0, 11.0, 9.0])
X = np.array([0, 0, 0, 0.03, 0.03, 0, 0, 0])
CENTRE = np.stack([X, 0 * X, [0.09, 0.30, 0.70, 1.22, 1.76, 2.36, 2.71, 2.91]], axis=1)
LENGTH = np.array([0.18, 0.22, 0.55, 0.55, 0.55, 0.55, 0.22, 0.18])
LOAD_CENTRE, LOAD_GYRATION = np.array([0.02, 0.0, 0.14]), np.array([0.10, 0.10, 0.08])
ACROSS = MASS * (LENGTH**2 / 12 + 0.09**2 / 2)  # principal moments: stout tubes of 9 cm radius
MOMENTS = np.stack([ACROSS, ACROSS, MASS * 0.09**2], axis=1)
SIZES = ("large", "middling", "small")
# Cause, flag kind, sizes: shares of Coulomb, current or payload; deg; s; angle resolutions.
TABLE = f"""friction-step friction 0.6 0.3 0.15, friction-growth friction 0.8 0.4 0.2,
brake-drag brake-drag 0.5 0.25 0.12, brake-slip brake-slip 3 0.5 {5 * COUNT / DEG},
late-release late-release 0.6 0.3 0.15, late-release-lying late-release 1 0.5 0.25,
stick-slip stick-slip 0.6 0.3 0.15, blocked stall 7 4 2, payload load 1 0.5 0.33,
current-offset current-sensor 0.3 0.15 0.08, current-gain current-sensor 0.4 0.2 0.1,
angle-jump angle-sensor 60 20 6, angle-stuck angle-sensor 10 4 2"""
CAUSES = {row.split()[0]: row.split()[1:] for row in TABLE.split(",")}


def true_arm(seed: int) -> SimpleNamespace:
    """Draw the arm as it is, end A first: the arm file is a few per cent off."""
    rng = np.random.default_rng([seed, 1])
    spread = {"mass": (MASS, 0.025), "kt": (KT, 0.015), "coulomb": (COULOMB, 0.10)}
    spread |= {"stribeck": (0.14, 0.15), "viscous": (np.where(PITCH, 330.0, 150.0), 0.12)}
    spread |= {"load_loss": (0.07, 0.12), "ripple": (0.05, 0.25), "model_gain": (1.0, 0.02)}
    arm = SimpleNamespace()
    for key, (value, share) in spread.items():
        setattr(arm, key, value * np.exp(rng.normal(0, share, 8 if key == "mass" else 7)))
    arm.phase, arm.release_s = rng.uniform(0, 2 * np.pi, 7), rng.uniform(0.08, 0.12, 7)
    return arm


def chains(bases: str, mass: np.ndarray) -> SimpleNamespace:
    """Stand the arm on the named ends, a letter a session; joints from its own base on, (S, 7, 3),
    bodies (S, 8, 3) with the load last; ``root`` are its moments' square roots, the load's per kg.
    """
    rows = [_one_chain(base, mass) for base in bases]
    axis, step, centre, body, root = (np.stack(part) for part in zip(*rows, strict=True))
    hat = np.zeros((len(bases), 7, 3, 3))
    hat[..., 0, 1], hat[..., 0, 2], hat[..., 1, 2] = -axis[..., 2], axis[..., 1], -axis[..., 0]
    hat -= np.swapaxes(hat, -1, -2)
    chain = SimpleNamespace(axis=axis, step=step, hat=hat, hat2=hat @ hat)
    chain.centre, chain.mass, chain.root = centre, body, root
    return chain


def _one_chain(base: str, mass: np.ndarray) -> tuple[np.ndarray, ...]:
    root, place, axis, centre = np.sqrt(MOMENTS * (mass / MASS)[:, None]), PLACE, AXIS, CENTRE[1:]
    body, root = (mass[1:], root[1:]) if base == "A" else (mass[-2::-1], root[-2::-1])
    if base == "B":  # stood on its head: turned half about x, from the tip on
        flip = np.array([1.0, -1.0, -1.0])
        place = flip * (np.vstack([PLACE[-2::-1], [0, 0, 0]]) - PLACE[-1])
        axis, centre = -flip * AXIS[::-1], flip * (CENTRE[-2::-1] - PLACE[-1])
    step = np.diff(np.vstack([[0, 0, 0], place[:7]]), axis=0)
    centres = np.vstack([centre - place[:7], place[7] + LOAD_CENTRE - place[6]])
    return axis, step, centres, np.append(body, 0.0), np.vstack([root, LOAD_GYRATION])


BODY_JOINT = np.array([0, 1, 2, 3, 4, 5, 6, 6])
MOVES = (BODY_JOINT[:, None] >= np.arange(7)).astype(float)  # (8, 7): joint j moves body b


def _cross(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    a0, a1, a2 = a[..., 0], a[..., 1], a[..., 2]
    b0, b1, b2 = b[..., 0], b[..., 1], b[..., 2]
    return np.stack([a1 * b2 - a2 * b1, a2 * b0 - a0 * b2, a0 * b1 - a1 * b0], axis=-1)


def rigid(chain: SimpleNamespace, q: np.ndarray, v: np.ndarray, load: np.ndarray) -> tuple:
    """Return mass matrix (S, 7, 7), Coriolis, gravity bare and of a load's kg (S, 7), heights.

    ``q``, ``v`` are (S, 7) in chain order, rad and rad/s; ``load`` (S,) kg; heights (S, 8) m.
    """
    n = len(q)
    turn = np.eye(3) + np.sin(q)[..., None, None] * chain.hat
    turn += (1 - np.cos(q))[..., None, None] * chain.hat2
    pose, arm = np.empty((n, 7, 3, 3)), np.empty((n, 7, 3))
    now = np.broadcast_to(np.eye(3), (n, 3, 3))
    for j in range(7):
        arm[:, j] = (now @ chain.step[:, j, :, None])[..., 0]
        now = now @ turn[:, j]
        pose[:, j] = now
    z = (pose @ chain.axis[..., None])[..., 0]
    p = np.cumsum(arm, axis=1)
    body = pose[:, BODY_JOINT]
    out = (body @ chain.centre[..., None])[..., 0]  # from the joint to the centre
    c = p[:, BODY_JOINT] + out
    mass, root = chain.mass.copy(), chain.root.copy()
    mass[:, 7] = load
    root[:, 7] *= np.sqrt(load)[:, None]
    linear = _cross(z[:, None], c[:, :, None] - p[:, None]) * MOVES[..., None]  # (S, 8, 7, 3)
    axes = body * root[:, :, None, :]  # (S, 8, 3, 3): its square is the inertia in world axes
    spin = np.swapaxes(axes, -1, -2) @ np.swapaxes(z, -1, -2)[:, None] * MOVES[:, None, :]
    sqrt_m = np.sqrt(mass)[..., None, None]
    x = np.concatenate([np.swapaxes(linear, -1, -2) * sqrt_m, spin], axis=2).reshape(n, 48, 7)
    matrix = np.swapaxes(x, -1, -2) @ x
    rise = linear[..., 2]
    bare = G * np.einsum("sb,sbj->sj", mass[:, :7], rise[:, :7])
    # Coriolis: accelerations with no joint acceleration, summed outward.
    turning = z * v[..., None]
    w = np.cumsum(turning, axis=1)
    w_before = w - turning
    alpha_step = _cross(w_before, turning)
    alpha = np.cumsum(alpha_step, axis=1)
    a = np.cumsum(_cross(alpha - alpha_step, arm) + _cross(w_before, _cross(w_before, arm)), axis=1)
    w_b, al_b = w[:, BODY_JOINT], alpha[:, BODY_JOINT]
    a_c = a[:, BODY_JOINT] + _cross(al_b, out) + _cross(w_b, _cross(w_b, out))
    back = np.swapaxes(axes, -1, -2)
    y = np.concatenate([a_c[..., None] * sqrt_m, back @ al_b[..., None]], axis=2).reshape(n, 48, 1)
    gyro = _cross(w_b, (axes @ (back @ w_b[..., None]))[..., 0])
    gyro[:, 6] += gyro[:, 7]
    outward = np.cumsum(gyro[:, 6::-1], axis=1)[:, ::-1]
    coriolis = (np.swapaxes(x, -1, -2) @ y)[..., 0] + np.sum(z * outward, axis=-1)
    return matrix, coriolis, bare, G * rise[:, 7], c[..., 2]


# rate in deg/s; asked: when the brake was asked to let go for this move, or None
Move = namedtuple("Move", "joint start end rate asked")
# start, end s; sign; series: the strength of a physical fault tick by tick, keyed by what it does
Fault = namedtuple("Fault", "cause size joint start end amount sign series")


class Plan(SimpleNamespace):
    """One session as the crew meant it; by ticks ``setpoint`` (K + 1, 7) rad and ``ask_free``
    (K, 7), end A first, ``load`` on the tip and ``declared`` in the log (K,) kg.
    """


def _feasible(pose: np.ndarray, base: str, load: float = 12.0) -> bool:
    """Tell whether drives can carry the poses (n, 7) and the load keeps off the quay."""
    if np.any(np.abs(pose) > RANGE):
        return False
    flip = slice(None) if base == "A" else slice(None, None, -1)
    q = pose[:, flip] * DEG
    chain = chains(base * len(pose), MASS)
    _, _, bare, per_kg, height = rigid(chain, q, q * 0, np.full(len(pose), load))
    strong = np.abs(bare + load * per_kg) < 0.5 * (GEAR * KT * LIMIT_A)[flip]
    return bool(np.all(strong) and np.all(height[:, 7] > 0.4))


def _lifts(rng: Rng, declared: bool, must: bool) -> list[tuple[float, float]]:
    """Return when a workpiece is on the tip, in shares of the session."""
    style = rng.random()
    if must or (declared and style < 0.35):
        return [(-1.0, 2.0)]  # picked up before the session, put down after it
    if declared:
        return [(rng.uniform(0.1, 0.35), rng.uniform(0.55, 0.9))] if style < 0.75 else []
    first = rng.uniform(0.08, 0.3)
    again = [(rng.uniform(0.65, 0.72), rng.uniform(0.85, 0.95))] if style < 0.6 else []
    return [(first, first + rng.uniform(0.15, 0.3)), *again]


def _manoeuvre(rng: Rng, style: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return joints, ways in deg and rates: several joints, one, slow ones, or pulses of one."""
    count = int(rng.integers(*((3, 8), (1, 2), (1, 3), (1, 2))[style]))
    who = rng.choice(7, count, replace=False)
    if style == 2:
        rates = rng.uniform(0.5, 1.6, count)
        return who, rates * rng.uniform(12, 32), rates
    if style == 3:
        count = int(rng.integers(2, 6))
        return np.repeat(who, count), rng.uniform(0.6, 3.0, count), rng.uniform(1.5, 6.0, count)
    return who, rng.uniform(8, 55, count), rng.uniform(0.2, 1.0) * RATE_MAX[who]


def plan_session(seed: list, base: str, declared_load: bool, minutes: float, must: bool) -> Plan:
    """Draw a crew's session; ``must`` makes it hold a declared load throughout."""
    rng = np.random.default_rng([*seed, 2])
    total, ticks = minutes * 60, round(minutes * 60 / TICK)
    clock = np.arange(ticks + 1) * TICK
    carried = round(float(rng.uniform(5, 6) if must else rng.uniform(3, 12)), 1)
    spans = _lifts(rng, declared_load, must)
    waiting = sorted([(a * total, carried) for a, _ in spans] + [(b * total, 0) for _, b in spans])
    load = np.zeros(ticks)
    if waiting and waiting[0][0] < 0:
        load[:] = waiting.pop(0)[1]
    pose = RANGE * rng.uniform(-0.75, 0.75, 7)
    while not _feasible(pose[None], base):
        pose = RANGE * rng.uniform(-0.75, 0.75, 7)
    setpoint = np.tile(pose, (ticks + 1, 1))
    ask, free = np.zeros((ticks, 7), dtype=bool), np.zeros(7, dtype=bool)
    moves: list[Move] = []

    def brake(when: float) -> None:
        ask[round(when / TICK) :] = False
        free[:] = False

    now = float(rng.uniform(3, 8))
    while now < total - 12:
        if waiting and now >= waiting[0][0]:  # stands on its brakes while the load changes
            brake(now)
            now += rng.uniform(2, 5)
            load[round(now / TICK) :] = waiting.pop(0)[1]
            now += rng.uniform(3, 8)
        style = int(rng.choice(5, p=(0.30, 0.30, 0.22, 0.11, 0.07)))
        if style == 4:
            brake(now)
            now += rng.uniform(10, 45)
            continue
        who, way, rates = _manoeuvre(rng, style)
        pulses, together = style == 3, style == 0 and rng.random() < 0.6
        for _ in range(30):
            sign = rng.choice([-1.0, 1.0], len(who))
            target = pose.copy()
            target[who] += 0 if pulses else way * sign
            if _feasible(pose + np.linspace(0.1, 1, 8)[:, None] * (target - pose), base):
                break
        else:
            continue
        accel = float(rng.uniform(15, 50))
        cruise = np.minimum(rates, np.sqrt(way * accel))
        ramps, lasts = cruise / accel, way / cruise + cruise / accel
        longest = max(lasts)
        fresh = ~free[who]
        end = move_at = now + (ASK_TO_MOVE if fresh.any() else 0.0)
        if move_at + longest * (len(who) * 2 if pulses else 1) > total - 4:
            now += 3.0
            continue
        ask[round(now / TICK) :, who] = True
        free[who] = True
        for k, j in enumerate(who):
            length, begin = way[k] * sign[k], end if pulses else move_at
            stretch = longest / lasts[k] if together else 1.0
            duration, ramp, rate = lasts[k] * stretch, ramps[k] * stretch, cruise[k] / stretch
            if pulses and abs(pose[j] + length) > RANGE[j]:
                length = -length
            knots = begin + np.array([0, ramp, duration - ramp, duration])
            speed = np.interp(clock, knots, [0, rate, rate, 0])
            setpoint[:, j] += np.cumsum(speed) * (length / speed.sum())
            pose[j] += length
            asked = now if fresh[k] and not (pulses and k) else None
            moves.append(Move(int(j), begin, begin + duration, rate, asked))
            end = max(end, begin + duration) + (rng.uniform(0.8, 3.0) if pulses else 0.0)
        now = end + rng.uniform(0.6, 2.5)
        if rng.random() < 0.7:
            brake(now)
            now += rng.uniform(0.8, 9)
    plan = Plan(base=base, declared_load=declared_load, minutes=minutes)
    plan.moves, plan.seed, plan.fault = moves, seed, None
    plan.setpoint, plan.ask_free, plan.load, plan.declared = setpoint * DEG, ask, load, load.copy()
    return plan


def place_fault(plan: Plan, cause: str, size: str) -> bool:
    """Put one fault where it can show; False where this plan offers no place."""
    rng = np.random.default_rng([*plan.seed, 3])
    amount = float(CAUSES[cause][1 + SIZES.index(size)])
    sign = int(rng.choice([-1, 1]))
    if cause == "payload" and plan.declared.all():
        plan.load = plan.declared * (1 + sign * amount)
        joint = 1 if plan.base == "A" else 5  # the shoulder feels it most
        plan.fault = Fault(cause, size, joint, 0.0, plan.minutes * 60, amount, sign, {})
    for joint in [] if cause == "payload" else rng.permutation(7).tolist():
        found = _place(plan, cause, amount, joint, rng)
        if found is not None:
            sign = sign if cause in ("current-offset", "angle-jump") else 1
            plan.fault = Fault(cause, size, joint, *found[:2], amount, sign, found[2])
            break
    return plan.fault is not None


def _place(plan: Plan, cause: str, amount: float, joint: int, rng: Rng) -> tuple | None:
    """Return start, end and strengths of a fault of this joint."""
    ticks = len(plan.load)
    turning = np.abs(np.diff(plan.setpoint[:, joint])) > 0.05 * DEG * TICK
    total, clock = ticks * TICK, np.arange(ticks) * TICK

    def on(a: float, b: float, level: float = amount) -> np.ndarray:
        return level * ((clock >= a) & (clock < b))

    if cause in ("friction-step", "current-offset", "current-gain"):
        start, end = total * float(rng.uniform(0.2, 0.55)), total
        if cause != "friction-step":
            least = 60.0 if cause == "current-offset" else 120.0
            end = min(total, start + least * float(rng.uniform(1.05, 2.5)))
        if turning[on(start, end) > 0].sum() * TICK < (30 if cause == "friction-step" else 20):
            return None
        return start, end, {"coulomb": on(start, end)} if cause == "friction-step" else {}
    if cause == "friction-growth":
        return (0.0, total, {"coulomb": amount * clock / total}) if turning.sum() > 3000 else None
    if cause == "brake-slip":
        take = float(rng.uniform(2, 10))
        edges = np.flatnonzero(np.diff(np.r_[0, ~plan.ask_free[:, joint], 0])) * TICK
        held = [(a + 1, b - 1 - take) for a, b in edges.reshape(-1, 2) if 0.1 * total < a]
        held = [(a, b) for a, b in held if a + 2 < b < total - take - 2]
        if not held:
            return None
        start = float(rng.uniform(*held[int(rng.integers(len(held)))]))
        return start, start + take, {"slip": on(start, start + take, amount * DEG / take)}
    own = [m for m in plan.moves if m.joint == joint and m.start > 0.1 * total]
    if cause in ("late-release", "late-release-lying", "brake-drag"):
        brisk = 0.0 if cause == "brake-drag" else 0.5 * RATE_MAX[joint]  # or no delay would show
        own = [m for m in own if m.asked is not None and m.end - m.start > 2.0 and m.rate > brisk]
    elif cause == "stick-slip":
        own = [m for m in own if m.rate < 2.0 and m.end - m.start > 12]
    elif cause in ("blocked", "angle-stuck"):
        fast = 5.0 if cause == "blocked" else 99.0
        own = [m for m in own if m.rate < fast and m.end - m.start > amount + 2.5]
    elif rng.random() < 0.5:  # half of the jumps in slow motion, half at rest
        own = [m for m in own if m.rate < 3.0 and m.end - m.start > 3]
    if not own:
        return None
    move = own[int(rng.integers(len(own)))]
    start = move.start if move.asked is None else move.asked
    if cause == "brake-drag":
        since = np.cumsum(turning & (clock >= start)) * TICK
        if since[-1] < 20:
            return None
        end = float(clock[np.searchsorted(since, min(since[-1], rng.uniform(20, 60)))])
        return start, end, {"coulomb": on(start, end)}
    if cause.startswith("late-release"):
        return start, start + amount + 0.1, {}
    if cause == "stick-slip":
        start = move.start + 0.6
        end = min(move.end - 0.6, start + float(rng.uniform(10, 30)))
        pitch = move.rate * DEG * float(rng.uniform(0.6, 1.3))
        return start, end, {"stick": on(start, end), "pitch": pitch}
    if cause == "angle-jump":
        slow = move.rate < 3.0 and move.end - move.start > 3
        start = move.start + 1.5 if slow else move.end + 0.4
        return min(start, total - 5), total, {}
    start = move.start + 0.9 + float(rng.uniform(0, move.end - move.start - amount - 1.6))
    if cause == "blocked":  # the obstacle gives way over 0.4 s
        jam = np.clip((start + amount + 0.4 - clock) / 0.4, 0, 1) * (clock >= start)
        return start, start + amount, {"block": jam}
    return start, start + amount, {}


def _brakes(plan: Plan, arm: SimpleNamespace) -> tuple[np.ndarray, np.ndarray]:
    """Return ticks in which the brake is off, and in which its word says so, (K, 7) each."""
    rng = np.random.default_rng([*plan.seed, 4])
    off, word = np.zeros_like(plan.ask_free), np.zeros_like(plan.ask_free)
    for j in range(7):
        edge = np.flatnonzero(np.diff(np.r_[0, plan.ask_free[:, j].astype(int), 0]))
        for a, b in edge.reshape(-1, 2):
            delay, lie = arm.release_s[j] + abs(rng.normal(0, 0.008)), 0.0
            f = plan.fault
            if f and f.joint == j and abs(f.start / TICK - a) < 1.5:
                delay += f.amount if f.cause == "late-release" else 0.0
                lie = f.amount if f.cause == "late-release-lying" else 0.0
            word[a + round((delay + 0.015) / TICK) : b + 4, j] = True
            off[a + round((delay + lie) / TICK) : b + 3, j] = True
    return off, word


class _Strength:
    """One kind of physical fault over all sessions that have it."""

    def __init__(self, plans: list[Plan], key: str) -> None:
        some = [(s, p) for s, p in enumerate(plans) if p.fault and key in p.fault.series]
        joints = [p.fault.joint if p.base == "A" else 6 - p.fault.joint for _, p in some]
        self.at = (np.array([s for s, _ in some], dtype=int), np.array(joints, dtype=int))
        self.pitch = np.array([p.fault.series.get("pitch", 1.0) for _, p in some])
        rows = np.array([p.fault.series[key] for _, p in some])
        self.rows = rows.reshape(len(some), len(plans[0].load)).T
        self.sign, self.where = np.zeros(len(some)), np.zeros(len(some))

    def now(self, k: int) -> np.ndarray | None:
        """Return the strengths at a tick, None where all are nought."""
        return self.rows[k] if len(self.sign) and self.rows[k].any() else None

    def begin(self, level: np.ndarray, sign: np.ndarray, where: np.ndarray) -> None:
        """Keep the way and the place of those that begin now."""
        first = (level > 0) & (self.sign == 0)
        self.sign = np.where(first, np.where(sign < 0, -1.0, 1.0), self.sign)
        self.where = np.where(first, where, self.where)


def simulate(arm: SimpleNamespace, plans: list[Plan]) -> list[SimpleNamespace]:
    """Run sessions of equal length side by side.

    Each gives a tape, a row every 40 ms, end A first: rad, rad/s, A, degC; ``sensor`` is (R, 2).
    """
    n, ticks = len(plans), len(plans[0].load)
    flips = [slice(None) if p.base == "A" else slice(None, None, -1) for p in plans]

    def lay(rows: list[np.ndarray]) -> np.ndarray:  # (..., 7) end A first to (S, ..., 7) by chain
        return np.stack([r[..., f] for r, f in zip(rows, flips, strict=True)])

    def same(row: np.ndarray) -> np.ndarray:
        return lay([row] * n)

    rngs = [np.random.default_rng([*p.seed, 5]) for p in plans]
    chain = chains("".join(p.base for p in plans), arm.mass)
    setpoint = np.swapaxes(lay([p.setpoint for p in plans]), 0, 1)
    both = [_brakes(p, arm) for p in plans]
    off_all = np.swapaxes(lay([b[0] for b in both]), 0, 1)
    ask_all = np.swapaxes(lay([p.ask_free for p in plans]), 0, 1)
    load_all = np.stack([p.load for p in plans], axis=1)
    fc20 = same(arm.coulomb) * lay([np.exp(r.normal(0, 0.025, 7)) for r in rngs])
    b20 = same(arm.viscous) * lay([np.exp(r.normal(0, 0.03, 7)) for r in rngs])
    stribeck, loss = same(arm.stribeck), same(arm.load_loss)
    ripple, gain = same(arm.ripple), same(arm.model_gain)
    gear, limit, phase = same(GEAR), same(LIMIT_A), same(arm.phase)
    reflected, order = gear**2 * same(ROTOR), 2 * gear
    s0, s1 = fc20 / 3.5e-4, 0.5 * np.sqrt(fc20 / 3.5e-4 * reflected)
    per_nm, true_nm = 1 / (gear * same(KT)), gear * same(arm.kt)
    rub, floor = same(0.75 * COULOMB), same(np.where(PITCH, 40.0, 20.0))
    i_limit, dead, pull = 0.16 * limit / per_nm, 1.2 * COUNT, 4.0 * DEG
    known = np.array([r.uniform(0.8, 1.1) for r in rngs])
    known[[p.declared_load for p in plans]] = 1.0
    guess = np.stack([p.declared for p in plans], axis=1) * known  # what the drive believes
    ambient = np.array([r.uniform(-5, 28) for r in rngs])[:, None]
    housing = ambient + lay([r.uniform(0, 5, 7) for r in rngs])
    member = np.stack([same(GROUP) == g for g in (0, 1)], axis=1).astype(float)  # (S, 2, 7)
    member /= member.sum(axis=2, keepdims=True)
    sensor = np.einsum("sgj,sj->sg", member, housing)
    more, slips = _Strength(plans, "coulomb"), _Strength(plans, "slip")
    sticks, blocks = _Strength(plans, "stick"), _Strength(plans, "block")
    q, winding, was = setpoint[0].copy(), housing.copy(), np.zeros((n, 7), dtype=bool)
    v, z, hold, current, shown, shift = (np.zeros((n, 7)) for _ in range(6))
    keys = ("angle", "rate", "command", "current", "winding", "housing")
    tape = {key: np.empty((ticks // 2, n, 7), np.float32) for key in keys}
    sensed = np.empty((ticks // 2, n, 2), np.float32)
    eye, rate_set = np.eye(7, dtype=bool), np.diff(setpoint, axis=0) / TICK
    for k in range(ticks):
        ask, off, rate = ask_all[k], off_all[k], rate_set[k]
        new, was = ask & ~was, ask  # the drive takes the joint where it stands
        shift[new] = (q - setpoint[k])[new]
        hold[new] = 0.0
        enabled, go = (ask | off).astype(float), off.astype(float)
        command = setpoint[k] + shift
        matrix, coriolis, bare, per_kg, _ = rigid(chain, q, v, load_all[k])
        heavy = bare + per_kg * load_all[k][:, None]
        pull_down = heavy + coriolis
        matrix[:, eye] += reflected
        inertia = matrix[:, eye].copy()
        matrix[~(off[:, :, None] & off[:, None, :]) & ~eye] = 0.0
        inverse = np.linalg.inv(matrix)
        forward = gain * bare + per_kg * guess[k][:, None]  # gravity by the drive's own model
        bend = rate_set[min(k + 1, ticks - 1)] - rate_set[max(k - 1, 0)]
        forward += 0.9 * inertia * bend / (2 * TICK)
        forward += (rub + 0.05 * np.abs(heavy)) * np.tanh(rate / (0.3 * DEG))
        kv, ki = 25.0 * np.maximum(inertia, floor), 125.0 * DT * np.maximum(inertia, floor)
        coulomb = fc20 * np.exp(-0.006 * (housing - 20.0))
        raised = np.ones((n, 7))
        raised[more.at] += more.rows[k]
        base, bump = coulomb * raised + loss * np.abs(heavy), stribeck * coulomb
        grease = b20 * np.exp(-0.028 * (housing - 20.0))
        wave = ripple * coulomb + 0.006 * np.abs(heavy)
        torque_a = true_nm * (1 - 0.0012 * (winding - 20.0))
        creep = np.zeros((n, 7))
        slip, stick, block = slips.now(k), sticks.now(k), blocks.now(k)
        if slip is not None:
            slips.begin(slip, -heavy[slips.at], slip)
            creep[slips.at] = slip * slips.sign * ~off[slips.at]
        if block is not None:
            blocks.begin(block, v[blocks.at], q[blocks.at])
        for _ in range(INNER):
            command = command + rate * DT
            error = command - q
            error = error - np.clip(error, -dead, dead)
            wanted = rate + np.clip(4.0 * error, -pull, pull) - v
            hold = np.clip(hold + ki * wanted * enabled, -i_limit, i_limit)
            asked = (kv * wanted + hold + forward) * per_nm
            current += 0.5 * (np.clip(asked, -limit, limit) * enabled - current)
            shown += 0.15 * (current - shown)
            speed = np.abs(v)
            level = base + bump * np.exp(speed / (-0.8 * DEG))
            if stick is not None:  # a tooth of friction every pitch of the way
                saw = np.mod(q[sticks.at] * np.sign(v[sticks.at]) / sticks.pitch, 1.0)
                level[sticks.at] += stick * coulomb[sticks.at] * (saw - 0.3)
            was_z, z = z, (z + v * DT) / (1 + s0 * speed / level * DT)
            friction = s0 * z + s1 / (1 + (v / 0.004) ** 2) * (z - was_z) / DT
            friction += grease * v / (1 + speed / 0.25)
            angle = order * q + phase
            friction += wave * (np.sin(angle) + 0.4 * np.sin(2 * angle + 1.0))
            net = torque_a * current - friction - pull_down
            if block is not None:
                way, into = blocks.sign, (q[blocks.at] - blocks.where) * blocks.sign
                push = (1.5e5 * into + 1500 * v[blocks.at] * way) * block
                net[blocks.at] -= np.maximum(push, 0) * way * (into > 0)
            v = (v + (inverse @ (net * go)[..., None])[..., 0] * DT) * go + creep
            q = q + v * DT
        flow = 4.0 * (winding - housing)
        winding += (1.35 * current**2 - flow) * (TICK / 900)
        housing += (flow + np.abs(friction * v) - 5.0 * (housing - ambient)) * (TICK / 9000)
        sensor += (np.einsum("sgj,sj->sg", member, housing) - sensor) * (TICK / 60)
        if k % 2 == 1:
            for key, value in zip(keys, (q, v, command, shown, winding, housing), strict=True):
                tape[key][k // 2] = value
            sensed[k // 2] = sensor
    out = []
    for s, (p, f) in enumerate(zip(plans, flips, strict=True)):
        own = SimpleNamespace(**{key: a[:, s, f].astype(float) for key, a in tape.items()})
        own.word_free, own.ask_free = both[s][1][1::2], p.ask_free[1::2]
        own.sensor = sensed[:, s]
        out.append(own)
    return out


def record(plan: Plan, tape: SimpleNamespace) -> SimpleNamespace:
    """Sample, add what sensors add, quantise; sensor faults live here, out of the loop's sight.

    ``angle`` and ``command`` are in counts; ``temperature`` is that of each joint's group.
    """
    rng = np.random.default_rng([*plan.seed, 6])
    rows = len(tape.angle)
    late = np.clip(rng.normal(0, 0.0025, rows), -0.008, 0.008)
    stamp = (np.arange(rows) + 1) * 2 * TICK + late
    angle = tape.angle + tape.rate * late[:, None]
    angle += 0.5 * COUNT * np.sin(2 * GEAR * angle)  # the wave generator's wobble
    angle += rng.normal(0, 0.25 * COUNT, angle.shape)
    walk = np.cumsum(rng.normal(0, 1, (rows // 250 + 2, 7)), axis=0) * 0.004
    low, part = np.arange(rows) // 250, (np.arange(rows) % 250 / 250)[:, None]
    zero = walk[low] + (walk[low + 1] - walk[low]) * part + rng.normal(0, 0.03, 7)
    current = tape.current.copy()
    f = plan.fault
    if f is not None:
        j = f.joint
        inside = (stamp >= f.start) & ((stamp < f.end) | (f.end > 59.99 * plan.minutes))
        if f.cause == "current-offset":
            turning = np.abs(tape.rate[:, j]) > 0.2 * DEG
            current[inside, j] += f.sign * f.amount * np.mean(np.abs(current[turning, j]))
        elif f.cause == "current-gain":
            current[inside, j] *= 1 + f.amount
        elif f.cause == "angle-jump":
            angle[inside, j] += f.sign * f.amount * COUNT
        elif f.cause == "angle-stuck":
            angle[inside, j] = angle[np.argmax(inside), j]
    lsb = LIMIT_A * 1.25 / 512
    codes = np.round((current + zero + rng.normal(0, 0.035, current.shape)) / lsb)

    log = SimpleNamespace(stamp_ms=np.round(stamp * 1000).astype(int))
    log.angle = np.clip(np.round(angle / COUNT), -32768, 32767).astype(int)
    log.command = np.clip(np.round(tape.command / COUNT), -32768, 32767).astype(int)
    log.current_ma = np.round(np.clip(codes, -512, 511) * lsb * 1000).astype(int)
    log.temperature = (np.round(tape.sensor * 2) / 2)[:, GROUP]
    log.word_free, log.ask_free = tape.word_free, tape.ask_free
    log.declared = plan.declared[1 : 2 * rows : 2] if plan.declared_load else None
    return log


def write_log(log: SimpleNamespace, path: Path, start: np.datetime64, base: str) -> None:
    """Write one session; a temperature stands under every joint of its group."""
    spell = np.array([f"{c * COUNT:.6f}" for c in range(-32768, 32768)], dtype=object)
    words = np.array(["HELD", "FREE"], dtype=object)
    stamps = start.astype(int) + log.stamp_ms
    head, columns = ["stamp_ms"], [stamps.astype(str).tolist()]
    for j in range(7):
        head += [f"{word}{j + 1}" for word in ("pos", "set", "mamp", "brk", "ask", "tmp")]
        columns += [spell[a[:, j] + 32768].tolist() for a in (log.angle, log.command)]
        columns.append(log.current_ma[:, j].astype(str).tolist())
        columns += [words[a[:, j].astype(int)].tolist() for a in (log.word_free, log.ask_free)]
        columns.append([f"{t:.1f}" for t in log.temperature[:, j].tolist()])
    head, columns = [*head, "stands_on"], [*columns, [base] * len(stamps)]
    if log.declared is not None:
        head, columns = [*head, "workpiece_kg"], [*columns, log.declared.astype("U4").tolist()]
    lines = [";".join(head), *map(";".join, zip(*columns, strict=True)), ""]
    path.write_text("\n".join(lines), encoding="utf-8")


MAP = """
log = { joints = ["Q1", "Q2", "Q3", "Q4", "Q5", "Q6", "Q7"] }
time = { column = "stamp_ms", format = "epoch-ms" }
[joint]
angle = { column = "pos{n}", unit = "rad" }
commanded_angle = { column = "set{n}", unit = "rad" }
current = { column = "mamp{n}", unit = "mA" }
temperature = { column = "tmp{n}", unit = "degC" }
brake_state = { column = "brk{n}", words = { HELD = "engaged", FREE = "released" } }
brake_command = { column = "ask{n}", words = { HELD = "engaged", FREE = "released" } }
[session]
payload = { column = "workpiece_kg", unit = "kg", optional = true }
base_end = { column = "stands_on" }
"""


def arm_text(only_names: bool = False) -> str:
    """Return the arm file: nominal masses, true frames."""
    if only_names:
        return '[arm]\nname = "Quay handler"\n' + "".join(
            f'[[joints]]\nname = "{n}"\n' for n in NAMES
        )
    moments = np.hstack([MOMENTS, np.zeros((8, 3))]).round(6).tolist()

    def link(b: int, origin: np.ndarray | float) -> str:
        centre = f"centre_m = {(CENTRE[b] - origin).round(6).tolist()}"
        return f"{{ mass_kg = {MASS[b]}, {centre}, inertia_kg_m2 = {moments[b]} }}"

    centre, gyration = LOAD_CENTRE.tolist(), LOAD_GYRATION.tolist()
    out = [
        f'[arm]\nname = "Quay handler"\ngravity_m_s2 = [0.0, 0.0, {-G}]\nconvention = "fixed"',
        f"tip = {{ xyz_m = {(PLACE[7] - PLACE[6]).round(6).tolist()} }}",
        f"payload = {{ centre_m = {centre}, gyration_m = {gyration} }}",
        f"base_link = {link(0, 0.0)}",
    ]
    for j, name in enumerate(NAMES):
        place = (PLACE[j] - (PLACE[j - 1] if j else 0)).round(6).tolist()
        out += [
            f'[[joints]]\nname = "{name}"\nserial = "QH-{301 + j}"\ngear_ratio = {GEAR[j]}',
            f"angle_range_deg = [-170.0, 170.0]\nrate_limit_deg_s = {RATE_MAX[j] * 1.2:.1f}",
            f"torque_constant_nm_a = {KT[j]}\nmotor_inertia_kg_m2 = {ROTOR[j]}",
            f"efficiency_drive = 0.93\nefficiency_backdrive = 0.92\ncurrent_limit_a = {LIMIT_A[j]}",
            f"brake_torque_nm = {1.5 * (GEAR * KT * LIMIT_A)[j]:.1f}\n"
            f"ripple_orders = [{2 * GEAR[j]}, {4 * GEAR[j]}]",
            f"geometry = {{ xyz_m = {place}, axis = {AXIS[j].tolist()} }}",
            f"link = {link(j + 1, PLACE[j])}\n",
        ]
    return "\n".join([*out, ""])


def make_plans(seed: int, training: int, clean: int, faults: int, minutes: float) -> list[tuple]:
    """Return (role, plan) of every session, training first, the rest shuffled."""
    order = np.random.default_rng([seed, 7]).permutation(clean + faults).tolist()
    roles = [("training", 0)] * training
    roles += [("clean", 0) if i < clean else ("fault", i - clean) for i in order]
    out = []
    for number, (role, which) in enumerate(roles):
        cause, size = tuple(CAUSES)[which % 13], SIZES[which // 13 % 3]
        heavy = role == "fault" and cause == "payload"
        rest = ("AB"[(number + number // 4) % 2], heavy or number % 3 != 2, minutes, heavy)
        tries = (plan_session([seed, number, attempt], *rest) for attempt in range(50))
        plan = next((p for p in tries if role != "fault" or place_fault(p, cause, size)), None)
        if plan is None:
            raise RuntimeError(f"no place for {cause} in {minutes} minutes")
        out.append((role, plan))
    return out


def write_campaign(out: Path, seed: int, plans: list[tuple]) -> None:
    """Simulate and write logs, map, arm files and the truth."""
    (out / "logs").mkdir(parents=True, exist_ok=True)
    texts = {"map": MAP, "arm": arm_text(), "names-only": arm_text(only_names=True)}
    for name, text in texts.items():
        (out / f"{name}.toml").write_text(text, encoding="utf-8")
    rng, day = np.random.default_rng([seed, 8]), np.datetime64("2034-03-01T07", "ms")
    tapes = simulate(true_arm(seed), [p for _, p in plans])
    sessions = []
    for number, ((role, plan), tape) in enumerate(zip(plans, tapes, strict=True)):
        start = day + 1000 * (172800 * number + int(rng.integers(0, 36000)))
        name = f"quay-{number + 1:03d}.csv"
        write_log(record(plan, tape), out / "logs" / name, start, plan.base)
        told = {"file": name, "role": role, "start": f"{start}Z", "minutes": plan.minutes}
        f, what = plan.fault, []
        if f is not None:
            what = [{"joint": NAMES[f.joint], "cause": f.cause, "kind": CAUSES[f.cause][0]}]
            begin, end = (f"{start + round(1000 * t)}Z" for t in (f.start, f.end))
            what[0] |= {"start": begin, "end": end, "size": f.size}
        sessions.append(told | {"declared_load": plan.declared_load, "faults": what})
    (out / "truth.json").write_text(json.dumps({"sessions": sessions}, indent=1), encoding="utf-8")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("out", type=Path)
    for name, default in (("seed", 1), ("training", 12), ("clean", 12), ("faults", 39)):
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--minutes", type=float, default=20.0)
    a = parser.parse_args()
    write_campaign(a.out, a.seed, make_plans(a.seed, a.training, a.clean, a.faults, a.minutes))


if __name__ == "__main__":
    main()
