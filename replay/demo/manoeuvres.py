"""What the operators at Tarn Station ask of the arm: brakes, moves, rests.

A session is a run of blocks: brakes off, a few moves, brakes on. Each move is
one or more smooth pulses of commanded rate, single or coordinated, some by
script and some by hand controller.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from replay.demo import bodies, heron
from replay.demo.styles import Style

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_GENTLE_TORQUE_NM = 190.0  # what a start or stop may ask of a joint
_TOP_ACCEL_DEG_S2 = 0.8


@dataclass(frozen=True, slots=True)
class Pulse:
    """One smooth pulse of commanded rate: up, along, down."""

    joint: int
    start_s: float
    ramp_s: float
    cruise_s: float
    rate_deg_s: float
    by_hand: bool

    @property
    def end_s(self) -> float:
        """When the command is back at zero."""
        return self.start_s + 2 * self.ramp_s + self.cruise_s

    @property
    def travel_deg(self) -> float:
        """Commanded travel: the ramps are symmetric, so each counts half."""
        return self.rate_deg_s * (self.ramp_s + self.cruise_s)


@dataclass(frozen=True, slots=True)
class Block:
    """Brakes off at ``release_s``, on again at ``engage_s``, for some joints."""

    release_s: float
    engage_s: float
    joints: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Schedule:
    """All that was commanded, on an even grid of ``dt`` seconds."""

    dt: float
    t: Array
    rate_cmd: Array  # (n, 7) deg/s
    engage_cmd: Mask  # (n, 7)
    base_b: Mask  # (n,)
    payload_kg: Array  # (n,) true mass in the free end's grip
    phase: NDArray[np.str_]
    start_deg: Array  # (7,)
    pulses: list[Pulse] = field(default_factory=list)
    blocks: list[Block] = field(default_factory=list)


def draw_pose(rng: np.random.Generator) -> Array:
    """Return a plausible pose, elbow bent, in degrees."""
    pose = rng.uniform(-60, 60, heron.JOINTS)
    pose[3] = rng.choice([-1, 1]) * rng.uniform(40, 110)
    return np.asarray(pose, dtype=np.float64)


def plan(
    rng: np.random.Generator,
    *,
    style: Style,
    duration_s: float,
    dt: float,
    payload_kg: float,
    base_end: str,
    start_deg: Array,
) -> Schedule:
    """Lay out a session of a style and render it on the grid."""
    n = max(round(duration_s / dt), 2)
    t: Array = np.arange(n, dtype=np.float64) * dt
    pulses, blocks, close = _lay_out(rng, style, duration_s, payload_kg, base_end, start_deg)
    payload = np.zeros(n)
    if style.loaded and blocks:
        # Grip and release happen with the brakes on, between blocks.
        grip = blocks[0].release_s - 1.0 if len(blocks) < 4 else blocks[1].release_s - 1.0
        let_go = blocks[-1].release_s - 1.0 if len(blocks) >= 4 else duration_s
        payload[(t >= grip) & (t < let_go)] = payload_kg
    elif style.person:
        payload[:] = payload_kg
    base_b = np.full(n, base_end == "B")
    if style.changes_base and len(blocks) > 1:
        change = blocks[len(blocks) // 2].release_s - 1.0
        base_b[t >= change] = base_end == "A"
    schedule = Schedule(
        dt=dt,
        t=t,
        rate_cmd=_render(rng, pulses, n, dt),
        engage_cmd=np.ones((n, heron.JOINTS), dtype=bool),
        base_b=base_b,
        payload_kg=payload,
        phase=np.full(n, "parked", dtype="<U10"),
        start_deg=start_deg,
        pulses=pulses,
        blocks=blocks,
    )
    for block in blocks:
        span = slice(int(block.release_s / dt), int(block.engage_s / dt))
        schedule.engage_cmd[span, list(block.joints)] = False
        schedule.phase[span] = "hold"
    for pulse, slow in zip(pulses, close, strict=True):
        span = slice(int(pulse.start_s / dt), int(np.ceil(pulse.end_s / dt)) + 1)
        schedule.phase[span] = "close work" if slow else ("manual" if pulse.by_hand else "scripted")
    return schedule


def limits(style: Style, pose_deg: Array, payload_kg: float, base_end: str) -> tuple[Array, Array]:
    """Return each joint's cap on rate, deg/s, and on acceleration, deg/s2, at a pose.

    The first keeps the tip below its speed limit, the second keeps starts and
    stops gentle on the gears.
    """
    case = "person" if style.person else ("payload" if style.loaded else "bare")
    ends = "AB" if style.changes_base else base_end
    found = [bodies.inertia_and_reach(pose_deg, payload_kg, end) for end in ends]
    inertia = np.max([f[0] for f in found], axis=0)
    reach = np.max([f[1] for f in found], axis=0)
    rate = np.degrees(heron.TIP_SPEED_LIMIT_M_S[case] / np.maximum(reach, 0.5))
    accel = np.degrees(_GENTLE_TORQUE_NM / inertia)
    return (
        np.minimum(rate, heron.RATE_LIMIT_DEG_S * 0.97),
        np.minimum(accel, _TOP_ACCEL_DEG_S2),
    )


def _lay_out(
    rng: np.random.Generator,
    style: Style,
    duration_s: float,
    payload_kg: float,
    base_end: str,
    start_deg: Array,
) -> tuple[list[Pulse], list[Block], list[bool]]:
    pulses: list[Pulse] = []
    blocks: list[Block] = []
    close: list[bool] = []
    where = start_deg.copy()
    busy = np.zeros(heron.JOINTS)  # seconds of motion so far: idle joints go first
    t = rng.uniform(3.0, 8.0)
    while t < duration_s - 25.0:
        release = t
        t += rng.uniform(0.7, 2.2)
        first = len(pulses)
        for _ in range(int(rng.integers(1, 5))):
            joints = _choose(rng, style, busy)
            slow = bool(rng.random() < style.close_work)
            by_hand = bool(rng.random() < style.by_hand)
            cap, accel = limits(style, where, payload_kg, base_end)
            rates = (cap[joints] / len(joints)) * (
                rng.uniform(0.06, 0.25) if slow else rng.uniform(0.35, 1.0)
            )
            rates = rates * rng.uniform(0.7, 1.0, len(joints))
            ramp = float(np.max(np.maximum(1.875 * rates / accel[joints], 0.8)))
            cruise = float(rng.uniform(3.0, 14.0))
            if t + 2 * ramp + cruise > duration_s - 6.0:
                break
            for joint, rate in zip(joints, rates, strict=True):
                sign = _direction(rng, where[joint], rate * (ramp + cruise))
                pulse = Pulse(int(joint), t, ramp, cruise, float(sign * rate), by_hand)
                pulses.append(pulse)
                close.append(slow)
                where[joint] += pulse.travel_deg
                busy[joint] += 2 * ramp + cruise
            t += 2 * ramp + cruise + rng.uniform(0.3, 5.0)
        engage = min(t + rng.uniform(1.2, 3.0), duration_s - 1.0)
        if len(pulses) == first:
            break
        used = sorted({p.joint for p in pulses[first:]})
        lone = len(used) <= 2 and rng.random() < 0.6
        blocks.append(Block(release, engage, tuple(used) if lone else tuple(range(heron.JOINTS))))
        t = engage + rng.uniform(2.0, 9.0)
    return pulses, blocks, close


def _choose(rng: np.random.Generator, style: Style, busy: Array) -> NDArray[np.int64]:
    if style.in_turn:
        return np.array([int(np.argmin(busy))])
    count = 1 if rng.random() < style.single else int(rng.integers(2, 5))
    weight = np.exp(-(busy - busy.min()) / 15.0) + 0.05
    return np.sort(rng.choice(heron.JOINTS, count, replace=False, p=weight / weight.sum()))


def _direction(rng: np.random.Generator, where: float, travel: float) -> int:
    if abs(where) > 90.0 or abs(where) + travel > 240.0:
        return -1 if where > 0 else 1
    return int(rng.choice([-1, 1]))


def _render(rng: np.random.Generator, pulses: list[Pulse], n: int, dt: float) -> Array:
    rate = np.zeros((n, heron.JOINTS))
    for pulse in pulses:
        first, last = int(pulse.start_s / dt), min(int(np.ceil(pulse.end_s / dt)) + 1, n)
        tau: Array = np.arange(first, last, dtype=np.float64) * dt - pulse.start_s
        shape = _ramp(tau / pulse.ramp_s) - _ramp(
            (tau - pulse.ramp_s - pulse.cruise_s) / pulse.ramp_s
        )
        if pulse.by_hand:
            # A hand is never quite still: a slow waver of a few percent.
            knots = np.arange(0.0, tau[-1] + 2.0, 1.0)
            waver = rng.normal(0.0, 0.06, knots.size)
            shape = shape * (1.0 + np.interp(tau, knots, waver))
        rate[first:last, pulse.joint] += pulse.rate_deg_s * shape
    return rate


def _ramp(x: Array) -> Array:
    """Quintic step from 0 to 1: no jump in rate or acceleration."""
    x = np.clip(x, 0.0, 1.0)
    return np.asarray(x**3 * (10.0 - 15.0 * x + 6.0 * x**2), dtype=np.float64)
