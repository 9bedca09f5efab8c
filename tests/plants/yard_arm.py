"""A yard arm on the ground: seven elastic joints of 3 m reach, lifting workpieces.

Physics. The links are rigid bodies under gravity (recursive bias forces, composite mass matrix).
Each joint is a motor-side inertia and a link-side inertia joined by a spring and a damper. Friction
sits on the motor side: a Coulomb part of its own level in each direction, growing with the torque
that the gear transmits, passing smoothly through zero like tanh; a viscous part that falls
exponentially as the gear warms; a ripple twice a motor turn. Windings warm with the square of the
current and lose 0.1 % of torque constant per kelvin; gears warm with friction and the windings.
Set-points at 100 Hz go to a position P, then a speed PI loop on the motor side at 1 kHz, which
remembers its holding torque while braked. Brakes hold by dry friction, released after a delay.
What is odd: the encoder sits behind the spring, so a load change moves a braked joint a little; the
set-point leads by speed over gain; there is no commanded rate, no rate and no brake command; the
recorder's stamps stray by up to 3 ms from its even 20 ms instants; workpieces are declared up to
two seconds late, or not at all. Faults are put into the physics, or into the reading only.
All sessions of a batch are integrated together (axes: session, joint), 1 ms a step.
"""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import numpy as np

NAMES = [f"Y{n}" for n in range(1, 8)]
AXES = np.array([2, 1, 2, 1, 2, 1, 2])  # turning axis in the joint's own frame: z or y
XYZ = np.zeros((7, 3))  # m, in the frame of the joint before
XYZ[:, 2] = 0.35, 0.3, 0.62, 0.68, 0.58, 0.6, 0.17
XYZ[3:5, 0] = 0.09, -0.09
TIP = np.array([0.0, 0.0, 0.22])  # m, in the frame of the last joint
LOAD_BEYOND_TIP = 0.07  # m
LOAD_AT = TIP + np.array([0, 0, LOAD_BEYOND_TIP])
LOAD_GYRATION = 0.07  # m
MASS = np.array([34.0, 30.0, 22.0, 17.0, 11.0, 7.0, 5.5])  # kg
COM = np.zeros((7, 3))  # m
COM[:, 0] = 0.01, 0, 0.04, -0.03, 0, 0, 0
COM[:, 1] = 0, 0.02, 0, 0.01, 0, 0.01, 0
COM[:, 2] = 0.14, 0.27, 0.3, 0.24, 0.27, 0.06, 0.12
INERTIA = np.empty((7, 3))  # kg m2, principal, about the centre of mass
INERTIA[:, 0] = INERTIA[:, 1] = 0.6, 1.1, 0.9, 0.6, 0.4, 0.09, 0.09
INERTIA[:, 2] = 0.4, 0.2, 0.15, 0.1, 0.06, 0.05, 0.06
GEAR = np.array([160.0, 160, 160, 120, 100, 100, 100])
KT = np.array([0.5, 0.5, 0.42, 0.42, 0.2, 0.2, 0.2])  # Nm/A at 20 degC
ROTOR = np.array([1.2e-3, 1.5e-3, 1.0e-3, 9e-4, 2e-4, 2e-4, 1.5e-4])  # kg m2
STIFF = np.array([4e5, 6e5, 3e5, 2e5, 4e4, 2e4, 1.2e4])  # Nm/rad
LOSS = 0.0015 * STIFF  # Nm s/rad
COULOMB = np.array([45.0, 55, 35, 28, 9, 8, 7])  # Nm at the joint, without load
BY_LOAD = np.array([0.05, 0.06, 0.06, 0.05, 0.06, 0.06, 0.05])  # Nm per Nm transmitted
TYPICAL_LOAD = np.array([60.0, 500, 120, 180, 15, 30, 3])  # Nm
SMOOTH = np.radians([0.12, 0.1, 0.12, 0.12, 0.15, 0.15, 0.2])  # rad/s, width of the tanh
CURRENT_LIMIT = np.array([20.0, 30, 20, 18, 10, 10, 9])  # A
CURRENT_RANGE = np.array([32.0, 32, 32, 32, 12, 12, 12])  # A, either way over 14 bits
CURRENT_NOISE = np.array([0.03, 0.03, 0.03, 0.025, 0.015, 0.015, 0.015])  # A
BRAKE = np.array([1500.0, 2600, 1500, 1300, 260, 220, 150])  # Nm at the joint
SPEED = np.radians([26.0, 26, 30, 34, 48, 48, 60])  # rad/s, limit
RANGE = np.radians([150.0, 95, 120, 125, 150, 105, 170])  # rad, either way
ACCEL = np.radians([28.0, 28, 35, 40, 60, 60, 80])  # rad/s2
POSITION_GAIN = 8.0  # 1/s
SPEED_GAIN = np.array([3200.0, 5200, 2800, 1700, 170, 150, 110])  # Nm s/rad
SPEED_RESET = 9.0  # 1/s
RESOLUTION = 2 * math.pi / 2**19  # rad
G = 9.81
TICK = 0.01  # s, set-points and brake logic
STEP = 1e-3  # s, physics
BATCH = 64  # sessions run side by side
PER_TICK = round(TICK / STEP)
BRAKE_ON, WORD_ON, DRIVE_ON = 1, 2, 4
PHYSICS = ("drag", "creep", "stick", "stick_hz", "block", "hold", "word")
SIZES = ("large", "middling", "small")
KINDS = dict.fromkeys(("friction-step", "friction-growth"), "friction")
KINDS |= {"brake-drag": "brake-drag", "brake-slip": "brake-slip"}
KINDS |= dict.fromkeys(("late-release", "late-release-lying"), "late-release")
KINDS |= {"stick-slip": "stick-slip", "blocked": "stall"}
KINDS |= dict.fromkeys(("current-offset", "current-gain"), "current-sensor")
KINDS |= dict.fromkeys(("angle-jump", "angle-stuck"), "angle-sensor") | {"payload": "load"}


def cross(a, b):
    """Vector product of arrays whose first axis is the component."""
    return np.stack(
        (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])
    )


def rigid(q, qd, load, load_at, arm):
    """Return mass matrix (S,7,7), bias torque (S,7) and potential energy (S) of the links."""
    sessions = len(q)
    c, s = np.cos(q), np.sin(q)
    turn = np.zeros((7, sessions, 3, 3))
    for j, axis in enumerate(AXES):
        a, b = ((0, 1), (2, 0))[int(axis == 1)]
        turn[j, :, axis, axis] = 1.0
        turn[j, :, a, a] = turn[j, :, b, b] = c[:, j]
        turn[j, :, a, b], turn[j, :, b, a] = -s[:, j], s[:, j]
    rot = np.empty_like(turn)
    rot[0] = turn[0]
    for j in range(1, 7):
        np.matmul(rot[j - 1], turn[j], out=rot[j])
    hop = np.empty((7, sessions, 3))  # from the joint before to this one
    hop[0] = XYZ[0]
    hop[1:] = (rot[:-1] @ XYZ[1:, None, :, None])[..., 0]
    arms = np.empty((8, sessions, 3))  # from joint to centre of mass; the load is body 8
    arms[:7] = (rot @ arm.com[:, None, :, None])[..., 0]
    arms[7] = (rot[6] @ load_at[:, :, None])[..., 0]
    hop, r = np.ascontiguousarray(hop.transpose(2, 0, 1)), np.moveaxis(arms, 2, 0).copy()
    p = hop.cumsum(1)
    z = np.stack([rot[j, :, :, axis] for j, axis in enumerate(AXES)]).transpose(2, 0, 1)
    body = [0, 1, 2, 3, 4, 5, 6, 6]
    mass = np.empty((8, sessions))
    mass[:7], mass[7] = arm.mass[:, None], load
    centre = p[:, body] + r
    inertia = np.zeros((3, 3, 8, sessions))
    inertia[:, :, :7] = np.moveaxis(
        (rot * arm.inertia[:, None, None, :]) @ rot.transpose(0, 1, 3, 2), (2, 3), (0, 1)
    )
    for k in range(3):
        inertia[k, k, 7] = load * LOAD_GYRATION**2
    # motion with no joint acceleration
    spin = z * qd.T
    w = spin.cumsum(1)
    alpha = cross(w - spin, spin).cumsum(1)
    origin = np.zeros_like(p)
    step = hop[:, 1:]
    wl, al = w[:, :-1], alpha[:, :-1]
    origin[:, 1:] = (cross(al, step) + cross(wl, cross(wl, step))).cumsum(1)
    w8, a8 = w[:, body], alpha[:, body]
    force = mass * (origin[:, body] + cross(a8, r) + cross(w8, cross(w8, r)))
    force[2] += mass * G
    moment = np.einsum("ijns,jns->ins", inertia, a8)
    moment += cross(w8, np.einsum("ijns,jns->ins", inertia, w8)) + cross(centre, force)

    def outward(x):  # what every joint carries: the sum over the bodies beyond it
        x = x.copy()
        x[..., 6, :] += x[..., 7, :]
        return x[..., 6::-1, :].cumsum(-2)[..., ::-1, :]

    bias = (z * (outward(moment) - cross(p, outward(force)))).sum(0).T
    # momentum about the origin of all beyond joint j when it alone turns
    about = inertia - mass * centre[:, None] * centre[None]
    square = mass * (centre * centre).sum(0)
    for k in range(3):
        about[k, k] += square
    first = outward(mass * centre)
    v = cross(p, z)
    spin_part = np.einsum("ijns,jns->ins", outward(about), z) + cross(first, v)
    push_part = outward(mass) * v + cross(z, first)
    full = np.einsum("kis,kjs->sij", z, spin_part) + np.einsum("kis,kjs->sij", v, push_part)
    upper = np.triu(full)
    matrix = upper + np.triu(full, 1).transpose(0, 2, 1)
    return matrix, bias, G * (mass * centre[2]).sum(0)


def make_arm(seed):
    """Return the true parameters of one built arm: nominal ones with the scatter of its units."""
    rng = np.random.default_rng([seed, 17])
    spread = lambda sd, shape=7: 1 + sd * rng.standard_normal(shape)  # noqa: E731
    coulomb = COULOMB * spread(0.08)
    return SimpleNamespace(
        mass=MASS, com=COM, inertia=INERTIA,
        plus=coulomb * spread(0.07), minus=coulomb * spread(0.07),
        by_load=BY_LOAD * spread(0.08),
        viscous_warm=0.3 * COULOMB / SPEED * spread(0.1),
        viscous_cold=1.9 * COULOMB / SPEED * spread(0.1),
        fade=rng.uniform(15, 22, 7),  # K over which the cold part falls by e
        stiff=STIFF * spread(0.08), loss=LOSS * spread(0.1),
        kt=KT * spread(0.015), rotor=ROTOR * spread(0.03),
        ripple=0.05 * COULOMB * rng.uniform(0.5, 1.5, 7), ripple_at=rng.uniform(0, 6.28, 7),
        release=rng.integers(8, 15, 7), engage=rng.integers(5, 10, 7),
        runout=rng.uniform(2e-5, 8e-5, 7), runout_at=rng.uniform(0, 6.28, 7),
        offset=0.012 * rng.standard_normal(7), gain=spread(0.004),
        typical=coulomb + BY_LOAD * TYPICAL_LOAD,
    )  # fmt: skip


@dataclass
class Plan:
    """One session to be run, on ticks of 10 ms."""

    start: datetime
    seed: list[int]
    cmd: np.ndarray  # rad (n, 7)
    bits: np.ndarray  # uint8 (n, 7)
    load: np.ndarray  # kg, true (n)
    said: np.ndarray  # kg, declared (n)
    ambient: float
    warm: float
    carried: list[tuple[int, int, float]] = field(default_factory=list)
    events: list[tuple] = field(default_factory=list)  # tick, array, joint, value
    reading: list[tuple] = field(default_factory=list)  # what, joint, from, to, value

    @property
    def speed(self):
        return np.gradient(self.cmd.astype(float), axis=0) / TICK

    def moves(self, j):
        return np.abs(self.speed[:, j]) > 2e-3

    def still(self):
        return (np.abs(self.speed) < 1e-5).all(1) & (np.gradient(self.load) == 0)


def bell(seconds, ramp):
    """Return a speed profile: raised-cosine ramps around a constant stretch, peak 1."""
    n, k = max(2, round(seconds / TICK)), max(1, round(ramp / TICK))
    v = np.ones(n)
    k = min(k, n // 2)
    edge = 0.5 - 0.5 * np.cos(np.pi * (np.arange(k) + 0.5) / k)
    v[:k], v[n - k :] = edge, edge[::-1]
    return v


class Mission:
    """Draws what a crew does with the arm in one session."""

    def __init__(self, minutes, arm, rng):
        self.n, self.arm, self.rng, self.at = round(minutes * 60 / TICK), arm, rng, 0
        slack = self.n + round(200 / TICK)
        self.cmd = np.zeros((slack, 7))
        self.bits = np.full((slack, 7), BRAKE_ON | WORD_ON, np.uint8)
        self.load, self.said = np.zeros(slack), np.zeros(slack)
        self.here = rng.uniform(-0.6, 0.6, 7) * RANGE
        self.carried, self.mass, self.since = [], 0.0, 0

    def wait(self, seconds):
        ticks = round(seconds / TICK)
        self.cmd[self.at : self.at + ticks] = self.here
        self.at += ticks

    def bit(self, joint, tick, bit, on):
        rows = self.bits[tick:, joint]
        np.bitwise_or(rows, bit, out=rows) if on else np.bitwise_and(rows, 255 - bit, out=rows)

    def release(self, joints):
        for j in joints:
            free = self.at + self.arm.release[j] + self.rng.integers(-1, 2)
            self.bit(j, self.at, DRIVE_ON, True)
            self.bit(j, free, BRAKE_ON, False)
            self.bit(j, free + 2, WORD_ON, False)
        lead = self.rng.uniform(0.18, 0.3)
        self.wait(lead if self.rng.random() < 0.6 else lead + self.rng.uniform(0.3, 2.5))

    def engage(self, joints):
        self.wait(self.rng.uniform(0.4, 1.5))
        for j in joints:
            hold = self.at + self.arm.engage[j] + self.rng.integers(-1, 2)
            self.bit(j, hold, BRAKE_ON, True)
            self.bit(j, hold + 2, WORD_ON, True)
            self.bit(j, hold + 25, DRIVE_ON, False)
        self.wait(0.6)

    def glide(self, by, v):
        """Move by ``by`` (7) along the speed profile ``v``."""
        path = self.here + np.outer(np.cumsum(v) / v.sum(), by)
        self.cmd[self.at : self.at + len(v)] = path
        self.at, self.here = self.at + len(v), path[-1]

    def go(self, target, share):
        """Point to point, all joints together; the slowest sets the time."""
        by = np.clip(target, -RANGE, RANGE) - self.here
        top, gone = SPEED * share, np.abs(by)
        ramp = np.maximum(0.4, 1.6 * top / ACCEL)
        top = np.minimum(top, gone / ramp + 1e-9)
        time = gone / top + ramp
        j = int(np.argmax(np.where(gone > 1e-6, time, 0)))
        self.glide(by, bell(time[j], ramp[j]))

    def jog(self, joint, rate, seconds):
        ramp = min(max(0.4, 1.6 * abs(rate) / ACCEL[joint]), seconds / 2)
        by = rate * (seconds - ramp)
        for turn in (-1, 0.3):
            by *= turn if abs(self.here[joint] + by) > RANGE[joint] else 1
        self.glide(by * np.eye(7)[joint], bell(seconds, ramp))

    def hand_over(self):
        """Pick up a workpiece or put it down, standing still."""
        begin, end = self.at, self.at + round(self.rng.uniform(0.6, 1.6) / TICK)
        new = 0.0 if self.mass else self.rng.uniform(1.5, 12)
        self.load[begin:end] = np.linspace(self.mass, new, end - begin)
        self.load[end:] = new
        self.said[end + self.rng.integers(0, 200) :] = new
        if self.mass:
            self.carried.append((self.since, end, self.mass))
        self.mass, self.since = new, begin
        self.wait(self.rng.uniform(4, 7))

    def work(self):
        rng = self.rng
        self.release(range(7))
        for _ in range(rng.integers(2, 6)):
            movers = rng.random(7) < 0.65
            by = rng.choice([-1, 1], 7) * np.radians(rng.uniform(5, 55, 7)) * movers
            out = np.abs(self.here + by) > 0.85 * RANGE
            by[out] *= -1
            self.go(self.here + by, rng.choice([0.12, 0.3, 0.6, 0.9]))
            self.wait(rng.uniform(0.4, 4))
            if rng.random() < 0.3:
                self.jog(rng.integers(7), np.radians(rng.uniform(0.5, 3)), rng.uniform(3, 9))
            if rng.random() < 0.2:
                self.hand_over()
        self.engage(range(7))

    def single(self, joint):
        rng = self.rng
        self.release([joint])
        for _ in range(rng.integers(2, 4)):
            rate = SPEED[joint] * rng.choice([0.08, 0.2, 0.45, 0.8])
            seconds = min(12.0, np.radians(rng.uniform(12, 60)) / rate + 1)
            for sign in rng.permutation([1, -1]):
                self.jog(joint, sign * rate, seconds)
                self.wait(rng.uniform(0.3, 1.5))
        for _ in range(rng.integers(0, 5)):
            self.jog(joint, SPEED[joint] * rng.uniform(-0.3, 0.3), rng.uniform(0.5, 1.2))
            self.wait(rng.uniform(0.3, 1))
        self.engage([joint])

    def crawl(self, joint):
        rng = self.rng
        freed = [joint] if rng.random() < 0.5 else range(7)
        self.release(freed)
        self.jog(
            joint, np.radians(rng.uniform(0.5, 1.6)) * rng.choice([-1, 1]), rng.uniform(18, 36)
        )
        self.engage(freed)

    def run(self):
        rng, decks = self.rng, {"single": [], "crawl": []}
        self.wait(rng.uniform(4, 9))
        while self.at < self.n - round(12 / TICK):
            what = rng.choice(["work", "single", "crawl"], p=[0.45, 0.33, 0.22])
            if what == "work":
                self.work()
            else:
                decks[what] = decks[what] or list(rng.permutation(7))
                getattr(self, what)(decks[what].pop())
            self.wait(rng.uniform(3, 9))
            if rng.random() < 0.45:
                self.hand_over()
        self.cmd[self.at :] = self.here
        if self.mass:
            self.carried.append((self.since, self.n, self.mass))
        return self


def make_plan(minutes, arm, seed, start):
    rng = np.random.default_rng(seed)
    m = Mission(minutes, arm, rng).run()
    n = m.n
    carried = [(a, min(b, n), kg) for a, b, kg in m.carried if a < n]
    return Plan(
        start, list(seed), m.cmd[:n].astype(np.float32), m.bits[:n].copy(), m.load[:n], m.said[:n],
        rng.uniform(7, 30), rng.uniform(0, 9), carried,
    )  # fmt: skip


# faults -----------------------------------------------------------------------


def stretches(mask):
    """Return the (from, to) of every run of True."""
    edge = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0]))))
    return list(zip(edge[::2].tolist(), edge[1::2].tolist(), strict=True))


class NoPlaceError(Exception):
    """This fault would not show on this joint in this session."""


def pick(rng, options):
    options = list(options)
    if not options:
        raise NoPlaceError
    return options[rng.integers(len(options))]


def put_fault(plan, arm, cause, size, rng):
    """Put one fault where it can show; return (joint, from tick, to tick) or raise."""
    for j in rng.permutation(7).tolist():
        try:
            return PLACE[cause](plan, arm, j, SIZES.index(size), rng)
        except NoPlaceError:
            continue
    raise NoPlaceError(f"no place for {cause} in this session")


def over(plan, j, a, b, name, value):
    """Let a quantity of the physics have this value from tick ``a`` to ``b``, then none."""
    plan.events += [(a, name, j, value), (b, name, j, 0.0)]


class Faults:
    """Where and how each cause is put; ``level`` 0, 1, 2 is large, middling, small."""

    def friction(plan, arm, j, level, rng, grows):
        n = len(plan.cmd)
        a = 0 if grows else int(n * rng.uniform(0.2, 0.7))
        if n - a < 120 / TICK or plan.moves(j)[max(a, n // 3) :].sum() < 25 / TICK:
            raise NoPlaceError
        top = ((0.6, 0.3, 0.15), (0.8, 0.4, 0.2))[grows][level]
        ticks = range(0, n, round(1 / TICK)) if grows else [a]
        plan.events += [(k, "coulomb", j, 1 + top * (k / n if grows else 1)) for k in ticks]
        return j, a, n

    def releases(plan, j):
        word = plan.bits[:, j] & WORD_ON > 0
        return (np.flatnonzero(word[:-1] & ~word[1:]) + 1).tolist()

    def brake_drag(plan, arm, j, level, rng):
        moved = np.cumsum(plan.moves(j)) * TICK
        a = pick(rng, [r for r in Faults.releases(plan, j) if moved[-1] - moved[r] > 20])
        b = int(np.searchsorted(moved, min(moved[a] + rng.uniform(20, 60), moved[-1])))
        over(plan, j, a, b, "drag", (0.5, 0.25, 0.12)[level] * arm.typical[j])
        return j, a, b

    def brake_slip(plan, arm, j, level, rng):
        angle = (math.radians(3), math.radians(0.5), rng.uniform(4, 8) * RESOLUTION)[level]
        ticks = round(rng.uniform(2, 10) / TICK)
        held = plan.bits[:, j] & BRAKE_ON > 0
        if level == 2:  # a few steps show only while nothing else moves or changes
            held &= plan.still()
        span = pick(rng, [(a, b) for a, b in stretches(held) if b - a > ticks + 200])
        a = int(rng.integers(span[0] + 120, span[1] - ticks - 60))
        over(plan, j, a, a + ticks, "creep", angle / (ticks * TICK))
        return j, a, a + ticks

    def late(plan, arm, j, level, rng, lying):
        extra = round(((0.6, 0.3, 0.15), (1.0, 0.5, 0.25))[lying][level] / TICK)
        speed = np.abs(plan.speed[:, j])
        soon = [r for r in Faults.releases(plan, j) if speed[r : r + 120].max(initial=0) > 0.03]
        soon = [r for r in soon if speed[r : r + max(extra, 30)].max(initial=0) > 1e-3]
        asked = [r for r in soon if speed[r : r + extra].max(initial=0) > 1e-3]
        a = pick(rng, asked or soon)  # where the joint is to move before it is let go, if anywhere
        free = int(np.flatnonzero(plan.bits[:a, j] & BRAKE_ON)[-1] + 1)
        over(plan, j, free, free + extra, "hold", 1.0)
        if not lying:
            over(plan, j, a, a + extra, "word", 1.0)
        return j, free, free + extra

    def stick_slip(plan, arm, j, level, rng):
        v = np.abs(plan.speed[:, j])
        slow = (v > math.radians(0.3)) & (v < math.radians(2))
        span = pick(rng, [(a, b) for a, b in stretches(slow) if b - a > 1050])
        want = min(round(rng.uniform(10, 30) / TICK), span[1] - span[0] - 20)
        a = int(rng.integers(span[0] + 5, span[1] - want))
        plan.events.append((a, "stick_hz", j, rng.uniform(1.2, 3.0)))
        over(plan, j, a, a + want, "stick", (0.6, 0.3, 0.15)[level] * arm.typical[j])
        return j, a, a + want

    def blocked(plan, arm, j, level, rng):
        v = plan.speed[:, j]
        span = pick(rng, [(a, b) for a, b in stretches(np.abs(v) > 0.03) if b - a > 120])
        a = int(rng.integers(span[0] + 40, span[1] - 60))
        b = a + round((7, 4, 2)[level] / TICK)
        over(plan, j, a, b, "block", float(np.sign(v[a])))
        return j, a, b

    def current_sensor(plan, arm, j, level, rng, gain):
        n, least = len(plan.cmd), (60, 120)[gain] / TICK
        a = int(n * rng.uniform(0.15, 0.6))
        b = min(n, a + round(least * rng.uniform(1.1, 3)))
        if b - a < least or plan.moves(j)[a:b].sum() < 12 / TICK:
            raise NoPlaceError
        value = ((0.3, 0.15, 0.08), (0.4, 0.2, 0.1))[gain][level] * (rng.choice([-1, 1]), 1)[gain]
        plan.reading.append(("gain" if gain else "offset", j, a, b, value))
        return j, a, b

    def angle_jump(plan, arm, j, level, rng):
        n = len(plan.cmd)
        spans = [(a, b) for a, b in stretches(plan.still()) if b - a > 250 and n < 10 * a < 8.5 * n]
        span = pick(rng, spans)
        a = int(rng.integers(span[0] + 120, span[1] - 80))
        plan.reading.append(
            ("jump", j, a, n, (60, 20, 6)[level] * RESOLUTION * rng.choice([-1, 1]))
        )
        return j, a, n

    def angle_stuck(plan, arm, j, level, rng):
        ticks = round((10, 4, 2)[level] / TICK)
        moving = np.abs(plan.speed[:, j]) > math.radians(0.4)
        span = pick(rng, [(a, b) for a, b in stretches(moving) if b - a > 0.75 * ticks + 60])
        a = int(rng.integers(span[0] + 20, max(span[0] + 21, span[1] - int(0.75 * ticks))))
        plan.reading.append(("stuck", j, a, a + ticks, 0.0))
        return j, a, a + ticks

    def payload(plan, arm, j, level, rng):
        share, lifting = (1.0, 0.5, 0.33)[level], plan.moves(1) | plan.moves(3)
        a, b, old = pick(rng, [c for c in plan.carried if lifting[c[0] : c[1]].sum() > 12 / TICK])
        lighter = level > 0 and rng.random() < 0.5
        said = rng.uniform(5, 12) if lighter else rng.uniform(4.5, 12) / (1 + share)
        true = said * (1 - share if lighter else 1 + share)
        plan.load[a:b] *= true / old
        plan.said[a:][plan.said[a:] == old] = said
        mid = plan.cmd[a:b:500].astype(float)
        at = np.tile(LOAD_AT, (len(mid), 1))
        torque = [rigid(mid, 0 * mid, np.full(len(mid), kg), at, arm)[1] for kg in (said, true)]
        return int(np.argmax(np.abs(torque[1] - torque[0]).mean(0) / arm.typical)), a, b


PLACE = {c: getattr(Faults, c.replace("-", "_"), None) for c in KINDS}
PLACE |= {
    f"friction-{word}": partial(Faults.friction, grows=k)
    for k, word in enumerate(["step", "growth"])
}
PLACE |= {
    f"late-release{word}": partial(Faults.late, lying=k) for k, word in enumerate(["", "-lying"])
}
PLACE |= {
    f"current-{word}": partial(Faults.current_sensor, gain=k)
    for k, word in enumerate(["offset", "gain"])
}


# physics ----------------------------------------------------------------------


def bound(x, limit):
    np.maximum(np.minimum(x, limit, out=x), -limit, out=x)


def simulate(plans, arm):
    """Run sessions of equal length side by side; return what was true every 20 ms."""
    S, n = len(plans), len(plans[0].cmd)
    rngs = [np.random.default_rng([*p.seed, 5]) for p in plans]
    draw = lambda f: np.stack([f(r) for r in rngs])  # noqa: E731
    CMD, BITS = np.stack([p.cmd for p in plans]), np.stack([p.bits for p in plans])
    LOAD, SAID = np.stack([p.load for p in plans]), np.stack([p.said for p in plans])
    load_at = LOAD_AT + draw(lambda r: 0.012 * r.standard_normal(3))
    session = draw(lambda r: 1 + 0.02 * r.standard_normal(7))  # friction of the day
    due = {}
    for s, p in enumerate(plans):
        for tick, *rest in p.events:
            due.setdefault(tick, []).append((s, *rest))
    shape = (S, 7)
    f = {k: np.zeros(shape) for k in PHYSICS}
    f["coulomb"] = np.ones(shape)
    phase, wall = np.zeros(shape), np.zeros(shape)
    ar, k = np.arange(S), np.zeros(S, int)
    cmd = CMD[:, 0].astype(float)
    th, w, q, qd = cmd.copy(), np.zeros(shape), cmd.copy(), np.zeros(shape)
    bias = rigid(q, qd, LOAD[:, 0], load_at, arm)[1]
    th += bias / arm.stiff
    integ, off = bias.copy(), th - cmd
    cmd += off
    amb = np.array([p.ambient for p in plans])[:, None]
    gear_t = amb + np.array([p.warm for p in plans])[:, None] * np.ones(7)
    wind_t, sensor_t = gear_t + 1.0, gear_t + 0.5
    nm_a = GEAR * KT  # what the drive believes
    jm = arm.rotor * GEAR**2
    limit = CURRENT_LIMIT * nm_a
    reset = SPEED_GAIN * SPEED_RESET * STEP
    mean, half = (arm.plus + arm.minus) / 2, (arm.plus - arm.minus) / 2
    heat = 9.0 / (0.25 * CURRENT_LIMIT) ** 2  # K of winding over housing per A2
    en, hbias, tq = np.zeros(shape), bias, np.zeros(shape)
    spring = bias.copy()
    damping, rows = STEP * np.diag(arm.loss), n // 2
    out = SimpleNamespace(
        q=np.empty((rows, S, 7)), cmd=np.empty((rows, S, 7), np.float32),
        cur=np.empty((rows, S, 7), np.float32), word=np.empty((rows, S, 7), bool),
        temp=np.empty((rows, S, 7), np.float32), said=np.empty((rows, S), np.float32),
    )  # fmt: skip
    for tick in range(n):
        for s, name, j, value in due.get(tick, ()):
            if name == "creep":  # the pads give way to the load
                value *= -np.sign(spring[s, j]) or 1.0
            if name == "block" and value:
                wall[s, j] = q[s, j]
            f[name][s, j] = value
        bits = BITS[ar, k]
        drive = bits & DRIVE_ON > 0
        fresh = drive & (en < 0.05)
        target = CMD[ar, k]
        off = np.where(fresh, th - target, off - np.clip(off, -0.01 * TICK, 0.01 * TICK) * drive)
        en += 0.4 * (drive - en)
        dcmd = np.where(drive, (target + off - cmd) / PER_TICK, 0.0)
        cmd = np.where(fresh, th, cmd)
        dcmd[fresh] = 0
        matrix, new, _ = rigid(q, qd, LOAD[ar, k], load_at, arm)
        if tick % 2 == 0:
            inverse = np.linalg.inv(matrix + damping)  # damping taken implicitly
            out.q[tick // 2], out.cmd[tick // 2], out.cur[tick // 2] = q, cmd, tq / nm_a
            out.word[tick // 2] = (bits & WORD_ON > 0) | (f["word"] > 0)
            out.temp[tick // 2], out.said[tick // 2] = sensor_t, SAID[ar, k]
        dbias, hbias = (new - bias) / PER_TICK, new.copy()
        bias = new
        grip = STEP * BRAKE * ((bits & BRAKE_ON > 0) | (f["hold"] > 0)) / jm
        creep = f["creep"] * (grip > 0)
        amps = tq / nm_a
        if tick % 10 == 0:
            dt = 10 * TICK
            wind_t += dt / 140 * (gear_t + heat * amps**2 - wind_t)
            warming = 0.35 * heat * amps**2 + 9.0 * np.abs(w) / SPEED
            gear_t += dt / 1300 * (amb + warming - gear_t)
            sensor_t += dt / 25 * (0.6 * wind_t + 0.4 * gear_t - sensor_t)
            viscous = arm.viscous_warm + arm.viscous_cold * np.exp(-(gear_t - 5) / arm.fade)
            kt_true = arm.kt / KT * (1 - 0.001 * (wind_t - 20))
        phase += TICK * f["stick_hz"]
        stuck = f["stick"] * (phase % 1.0 - 0.5) * (np.abs(w) < math.radians(2.5))
        scale, extra = session * f["coulomb"], f["drag"] + stuck
        own, lean, by_load = mean * scale + extra, half * scale, arm.by_load * scale
        walls = bool(f["block"].any())
        en_reset = reset * drive
        for _ in range(PER_TICK):
            cmd += dcmd
            hbias += dbias
            spring = arm.stiff * (th - q) + arm.loss * (w - qd)
            want = POSITION_GAIN * (cmd - th)
            bound(want, SPEED)
            want -= w
            integ += en_reset * want
            bound(integ, limit)
            tq = SPEED_GAIN * want + integ
            bound(tq, limit)
            tq *= en
            level = by_load * np.abs(spring) + own + lean * np.sign(w)
            x = np.abs(w) / SMOOTH + 1e-9
            level *= np.tanh(x) / (x * SMOOTH)  # secant slope: exact at rest and at steady speed
            level += viscous
            push = kt_true * tq - spring - arm.ripple * np.sin(2 * GEAR * th + arm.ripple_at)
            w = (jm * w + STEP * push) / (jm + STEP * level)
            slide = w - creep
            slide -= np.minimum(np.maximum(slide, -grip), grip)
            w = creep + slide
            th += STEP * w
            net = spring - hbias
            if walls:
                side = f["block"]
                deep = np.maximum(0.0, (q - wall) * side)
                net -= side * 0.6 * STIFF * deep + LOSS * qd * (deep > 0)
            qd += STEP * np.matmul(inverse, net[:, :, None])[:, :, 0]
            q += STEP * qd
        # the set-point waits while a joint lags far behind it
        lag = np.abs(cmd - th) - np.abs(dcmd) / STEP / POSITION_GAIN * 1.3
        k += ~((lag > 0.035) & drive).any(1)
        np.minimum(k, n - 1, out=k)
    return out


def record(out, s, plan, arm, declared=True):
    """Return the columns that the recorder writes for session ``s`` of a run."""
    rng = np.random.default_rng([*plan.seed, 9])
    rows = len(out.q)
    cur = out.cur[:, s].astype(float)
    bias, gain = arm.offset + 0.008 * rng.standard_normal(7), arm.gain
    angle = out.q[:, s] + arm.runout * np.sin(out.q[:, s] + arm.runout_at)
    angle_noise, current_noise = rng.standard_normal((2, rows, 7))
    angle += 0.35 * RESOLUTION * angle_noise
    cur = cur * gain + bias + CURRENT_NOISE * current_noise
    moving = np.abs(np.gradient(out.q[:, s], axis=0)) > 2e-3 * 2 * TICK
    for what, j, a, b, value in plan.reading:
        span = slice(a // 2, b // 2)
        typical = np.median(np.abs(cur[moving[:, j], j]))
        cur[span, j] += {"offset": value * typical, "gain": value * cur[span, j]}.get(what, 0)
        was = angle[span, j]
        angle[span, j] = {"jump": was + value, "stuck": was[0]}.get(what, was)
    angle = np.round(angle / RESOLUTION) * RESOLUTION
    lsb = 2 * CURRENT_RANGE / 2**14
    cur = np.clip(np.round(cur / lsb) * lsb, -CURRENT_RANGE, CURRENT_RANGE - lsb)
    stray = np.clip(1.3 * rng.standard_normal(rows), -3, 3) * 1000
    begin = round(plan.start.timestamp() * 1e6)
    columns = {"t_us": begin + np.round(np.arange(rows) * 20_000 + stray).astype(np.int64)}
    kelvin = np.round(out.temp[:, s].astype(float) + 273.15, 1)
    asked, word = np.round(out.cmd[:, s].astype(float), 6), out.word[:, s].astype(np.int8)
    each = {"set_rad": asked, "rad": angle, "amp": cur, "brk": word, "motor_k": kelvin}
    columns |= {f"ax{j + 1}_{name}": x[:, j] for j in range(7) for name, x in each.items()}
    said = np.round(out.said[:, s].astype(float), 2)
    columns["workpiece_kg"] = said if declared else [None] * rows
    return columns


# files ------------------------------------------------------------------------

MAP = """# The yard's recorder: SI units, one row about every 20 ms.
log = { layout = "wide", joints = ["Y1", "Y2", "Y3", "Y4", "Y5", "Y6", "Y7"] }
time = { column = "t_us", format = "epoch-us" }

[joint]
angle = { column = "ax{n}_rad", unit = "rad" }
commanded_angle = { column = "ax{n}_set_rad", unit = "rad" }
current = { column = "ax{n}_amp", unit = "A" }
temperature = { column = "ax{n}_motor_k", unit = "K" }
brake_state = { column = "ax{n}_brk", words = { 1 = "engaged", 0 = "released" } }

[session]
payload = { column = "workpiece_kg", unit = "kg" }
base_end = { value = "A" }
"""


def arm_file(seed):
    """Return the arm file: frames right, masses and drives a few per cent off the truth."""
    rng = np.random.default_rng([seed, 23])
    off = lambda sd: 1 + sd * rng.standard_normal()  # noqa: E731
    nums = lambda values, digits: str([round(float(v), digits) for v in values])  # noqa: E731
    text = '[arm]\nname = "Yard arm"\ngravity_m_s2 = [0.0, 0.0, -9.81]\nconvention = "fixed"\n'
    text += f"\n[arm.tip]\nxyz_m = {nums(TIP, 3)}\nrpy_deg = [0.0, 0.0, 0.0]\n"
    text += f"\n[arm.payload]\ncentre_m = [0.0, 0.0, {LOAD_BEYOND_TIP}]\n"
    text += f"gyration_m = {[LOAD_GYRATION] * 3}\n"
    for j, name in enumerate(NAMES):
        axis = [int(k == AXES[j]) for k in range(3)]
        inertia = [*(INERTIA[j] * off(0.05)), 0, 0, 0]
        reach = np.degrees(RANGE[j])
        text += (
            f'\n[[joints]]\nname = "{name}"\nserial = "YA-{seed % 90 + 10}{j + 1}"\n'
            f"angle_range_deg = [{-reach - 5:.1f}, {reach + 5:.1f}]\n"
            f"rate_limit_deg_s = {np.degrees(SPEED[j]):.1f}\ngear_ratio = {GEAR[j]}\n"
            f"torque_constant_nm_a = {KT[j]}\nmotor_inertia_kg_m2 = {ROTOR[j] * off(0.05):.3g}\n"
            f"current_limit_a = {CURRENT_LIMIT[j]}\nbrake_torque_nm = {BRAKE[j]}\n"
            f"[joints.geometry]\nxyz_m = {nums(XYZ[j], 3)}\nrpy_deg = [0.0, 0.0, 0.0]\n"
            f"axis = {axis}\n[joints.link]\nmass_kg = {MASS[j] * off(0.03):.3f}\n"
            f"centre_m = {nums(COM[j] * off(0.02), 4)}\ninertia_kg_m2 = {nums(inertia, 4)}\n"
        )
    return text


def campaign(seed, training, clean, faults, minutes, undeclared):
    """Return the arm, the plans and the truth of a whole set of sessions."""
    arm = make_arm(seed)
    rng = np.random.default_rng([seed, 31])
    pairs = [(c, z) for z in SIZES for c in KINDS]
    if faults < len(pairs):
        pairs = [pairs[i] for i in rng.permutation(len(pairs))]
    roles = ["training"] * training + ["clean"] * clean + ["fault"] * faults
    day = datetime(2043, 3, 2, 6, 0, tzinfo=UTC)
    plans, truth = [], []
    for i, role in enumerate(roles):
        start = day + timedelta(days=2 * i, minutes=int(rng.integers(0, 600)))
        cause, size = pairs[(i - training - clean) % len(pairs)] if role == "fault" else ("", "")
        for attempt in range(40):
            plan, listed = make_plan(minutes, arm, [seed, i, attempt], start), []
            try:
                place = put_fault(plan, arm, cause, size, rng) if cause else None
                break
            except NoPlaceError:
                continue
        else:
            raise SystemExit(f"{cause} finds no place in sessions of {minutes:g} minutes")
        if place is not None:
            j, *ends = place
            begin, end = ((start + timedelta(seconds=k * TICK)).isoformat() for k in ends)
            fault = {"joint": NAMES[j], "cause": cause, "kind": KINDS[cause]}
            listed.append(fault | {"start": begin, "end": end, "size": size})
        declared = not undeclared or cause == "payload" or i % 3 != 2
        plans.append(plan)
        truth.append(
            {"file": f"yard-{i + 1:03d}.parquet", "role": role, "start": start.isoformat()}
            | {"minutes": minutes, "declared_load": declared, "faults": listed}
        )
    return arm, plans, truth


def main(argv=None):
    import pyarrow as pa
    import pyarrow.parquet as pq

    parser = argparse.ArgumentParser(description="Write the logs of a simulated yard arm.")
    parser.add_argument("out", type=Path)
    for name, default in {"seed": 1, "training": 12, "clean": 12, "faults": 39}.items():
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument("--undeclared", action="store_true", help="a third name no workpiece")
    args = parser.parse_args(argv)
    arm, plans, truth = campaign(
        args.seed, args.training, args.clean, args.faults, args.minutes, args.undeclared
    )
    logs = args.out / "logs"
    logs.mkdir(parents=True, exist_ok=True)
    for first in range(0, len(plans), BATCH):
        some = plans[first : first + BATCH]
        run = simulate(some, arm)
        for s, (plan, entry) in enumerate(zip(some, truth[first:], strict=False)):
            columns = record(run, s, plan, arm, entry["declared_load"])
            types = {"workpiece_kg": pa.float64()}
            table = pa.table({k: pa.array(v, types.get(k)) for k, v in columns.items()})
            pq.write_table(table, logs / entry["file"], compression="zstd")
    (args.out / "map.toml").write_text(MAP)
    (args.out / "arm.toml").write_text(arm_file(args.seed))
    names = "".join(f'[[joints]]\nname = "{name}"\n' for name in NAMES)
    (args.out / "names-only.toml").write_text(names)
    (args.out / "truth.json").write_text(json.dumps({"sessions": truth}, indent=1))


if __name__ == "__main__":
    main()
