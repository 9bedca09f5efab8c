"""The bed tender's drives: strain-wave gears, grease, brakes, cascade; sessions at once.

Each joint is two masses: the rotor (everything in units of the gear's output) and the
link, between them a strain-wave gear that is soft at small torque (Spong, J. Dyn. Sys.
Meas. Control 109, 1987, for the two masses) and errs twice a turn of its wave generator.
On the rotor: friction as a bristle that yields (Canudas de Wit et al., IEEE Trans. Autom.
Control 40, 1995) at a level that grows with the torque carried and has a Stribeck hump,
and a grease film that shears as Eyring's law says, ``asinh``, thinner when warm. Links
are stepped linearly implicitly every 2.5 ms, their mass matrices anew every 40 ms.

The cascade closes on the motor's own encoder: angle, then speed with an integrator; the
drawing's holding torque of the posture and the listed tray is fed forward. Where an angle
falls 3 deg behind, the path waits. The recorder's encoder sits at the output, in no loop.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.plants.bed_tender_body import STOUT, Array, Bodies, Build, built, dynamics, holding

TICK = 0.04
"""One row of the log; mass matrices are new at each, s."""
SUB = 16
STEP = TICK / SUB
DEG = np.pi / 180
RATIO = np.where(STOUT, 160.0, 120.0)
KT = np.where(STOUT, 0.45, 0.28)
ROTOR = np.where(STOUT, 9e-4, 4e-4)
REFLECTED = ROTOR * RATIO**2
PER_AMPERE = RATIO * KT
STIFF = np.where(STOUT, 2.2e5, 9e4)
SOFT = 0.3
"""Share of the gear's stiffness that is missing near no torque."""
SOFT_TWIST = np.where(STOUT, 100.0, 40.0) / STIFF
DAMPING = np.where(STOUT, 500.0, 130.0)
GEAR_ERROR = 5e-5
BRAKE = np.where(STOUT, 3600.0, 900.0)
LIMIT_A = np.where(STOUT, 30.0, 22.0)
COULOMB = np.where(STOUT, 48.0, 19.0)
"""Friction's level with nothing carried, N m at the output."""
CARRIED = 0.045
HUMP, HUMP_SPEED = 0.12, 1.2 * DEG
FILM = np.where(STOUT, 12.0, 5.0)
FILM_SPEED = 2.0 * DEG
FILM_PER_K = 0.034
BRISTLE = np.where(STOUT, 1e5, 4.2e4)
HOSE = np.where(STOUT, 4.0, 1.6)
WANDER, WANDER_S = 0.02, 200.0
KP = 2.5
KV = np.array([1300.0, 3000.0, 1000.0, 2200.0, 500.0, 1200.0, 350.0])
"""Gain on speed from the base outward: the drives know which end is plugged in, N m s/rad."""
RESET_S = 0.5
CATCH_UP = 2 * DEG
WINDUP = np.where(STOUT, 600.0, 190.0)
DEADBAND = 0.02 * DEG
WAIT_FROM, WAIT_ALL = 3 * DEG, 4 * DEG
STICK_SPEED = 0.25 * DEG
WALL = 4e5
"""What blocks a motion is a post or a bed's rim, N m/rad."""


@dataclass
class Arm:
    """One tender: how its units differ from the drawing."""

    build: Build
    kt: Array
    coulomb: Array
    film: Array
    sides: Array
    stiff: Array
    hose: Array
    hose_phase: Array
    gear_phase: Array
    lift_s: Array
    zero_a: Array


def draw_arm(seed: int) -> Arm:
    """Draw the units of one arm."""
    r = np.random.default_rng(seed)
    return Arm(
        build=built(r),
        kt=KT * r.normal(1, 0.025, 7),
        coulomb=COULOMB * r.normal(1, 0.13, 7),
        film=FILM * r.normal(1, 0.13, 7),
        sides=r.normal(0, 0.03, 7),
        stiff=STIFF * r.normal(1, 0.08, 7),
        hose=HOSE * r.normal(1, 0.3, (2, 7)) * np.array([[1.0], [0.5]]),
        hose_phase=r.uniform(0, 2 * np.pi, (2, 7)),
        gear_phase=r.uniform(0, 2 * np.pi, 7),
        lift_s=r.uniform(0.09, 0.14, 7),
        zero_a=r.normal(0, 0.02, 7),
    )


@dataclass
class Fault:
    """What goes wrong: joint by end A, size in the cause's unit, seconds of the session."""

    joint: int
    cause: str
    size: str
    amount: float
    start_s: float
    end_s: float


@dataclass
class Plan:
    """What one session is to do, a row a tick; joints count from end A."""

    rate: Array
    release: NDArray[np.bool_]
    load: Array
    listed: Array
    errand: NDArray[np.int64]
    start: Array
    base_b: bool
    air: Array
    aside: Array = field(default_factory=lambda: np.zeros(3))
    fault: Fault | None = None
    declared: bool = True


def run(arm: Arm, plans: list[Plan], seeds: list[int], faults: bool = True) -> dict[str, Any]:
    """Simulate sessions side by side; all arrays out are (session, tick, joint by end A)."""
    count, ticks = len(plans), max(len(p.load) for p in plans)
    base_b = np.array([p.base_b for p in plans])
    order = np.where(base_b[:, None], np.arange(6, -1, -1), np.arange(7))
    row = np.arange(count)[:, None]
    noise = [np.random.default_rng(s) for s in seeds]
    own = _Units(arm, order, noise)
    real, drawn = Bodies(base_b, arm.build), Bodies(base_b, built())
    aside = np.stack([p.aside for p in plans])
    ends = np.array([len(p.load) for p in plans])
    bank = np.cumsum(ends) - ends
    rates = np.concatenate([p.rate for p in plans])
    asks = np.concatenate([p.release for p in plans])
    loads = np.concatenate([p.load for p in plans])
    listings = np.concatenate([p.listed for p in plans])
    works = np.concatenate([p.errand for p in plans])
    airs = np.concatenate([p.air for p in plans])
    broken = _Faults(plans if faults else [], order, own.coulomb)
    keep = {k: np.zeros((count, ticks, 7), np.float32) for k in ("q", "goal", "amp", "temp")}
    keep |= {k: np.zeros((count, ticks, 7), bool) for k in ("ask", "word", "free")}
    keep |= {"listed": np.zeros((count, ticks)), "errand": np.zeros((count, ticks), np.int64)}

    clock = np.zeros(count)
    q = np.stack([p.start[o] for p, o in zip(plans, order, strict=True)])
    dq, w, bristle, integral = (np.zeros((count, 7)) for _ in range(4))
    goal, theta = q.copy(), q.copy()
    case = airs[bank][:, None] + own.shade
    sensor, winding = case.copy(), case.copy()
    asked = np.zeros((count, 7), bool)
    asked_s = np.full((count, 7), 99.0)  # since the brake was last told something new
    wander = WANDER * own.shakes(0)
    load, bias = np.full(count, -1.0), None
    for tick in range(ticks):
        at = bank + np.minimum(clock.astype(int), ends - 1)
        if not np.array_equal(loads[at], load):
            load = loads[at]
            real.carry(load, aside)
        drawn.carry(listings[at])
        matrix, bias_now, _ = dynamics(real, q, dq)
        if bias is None:  # the arm hangs in its brakes
            bias = bias_now
            for _ in range(20):
                theta = q + bias / (own.stiff * (1 - SOFT / (1 + ((theta - q) / own.soft) ** 2)))
            goal = theta.copy()
        bias, ahead = bias_now, (bias_now - bias) / SUB
        ask = asks[at][row, order]
        broken.at(tick * TICK, q, rates[at][row, order])
        asked_s = np.where(ask == asked, asked_s + TICK, 0.0)
        goal = np.where(ask & ~asked, theta, goal)  # a drive that wakes takes what it finds
        asked = ask
        lift_s = own.lift_s * (1 + 0.006 * (25 - case)) + broken.late
        free = np.where(ask, asked_s >= lift_s, asked_s < 0.06)
        told = np.where(ask, asked_s >= lift_s - broken.untold, asked_s < 0.06)
        on = ask | (asked_s < 0.2)
        behind = np.where(ask, np.abs(goal - theta), 0.0).max(axis=1)
        pace = np.clip((WAIT_ALL - behind) / (WAIT_ALL - WAIT_FROM), 0, 1)
        rate = rates[at][row, order] * pace[:, None]
        forward = holding(drawn, q) * on
        kt = own.kt * (1 - 0.0011 * (winding - 25))
        most = own.limit * own.ratio * kt
        hose = own.hose_torque(q)
        firm = STEP * own.damping + STEP**2 * (own.stiff + WALL * broken.walled)
        solve = np.linalg.inv(matrix + np.eye(7) * firm[:, None])
        wander += own.shakes(tick) * WANDER * np.sqrt(2 * TICK / WANDER_S)
        wander -= wander * TICK / WANDER_S
        share = own.session * (1 + wander) * (1 + broken.friction)
        thin = np.exp(-FILM_PER_K * (case - 25)) / FILM_SPEED
        bite = np.where(free, broken.drag, own.brake) * STEP / own.eased
        for sub in range(SUB):
            error = GEAR_ERROR * np.sin(2 * own.ratio * theta + own.gear_phase)
            twist = theta - q - error
            stiff = own.stiff * (1 - SOFT / (1 + (twist / own.soft) ** 2))
            spring = stiff * twist
            push = spring + (own.damping + STEP * own.stiff) * (w - dq) - bias - ahead * sub - hose
            if broken.blocks:
                push -= broken.wall(q, dq)
            dq = dq + STEP * np.matmul(solve, push[..., None])[..., 0]
            q = q + STEP * dq
            goal = goal + STEP * rate
            off = goal - theta
            slow = rate + np.clip(KP * off, -CATCH_UP, CATCH_UP) - w
            waits = (rate == 0) & (np.abs(off) < DEADBAND)
            integral = np.where(waits, integral, integral + STEP / RESET_S * KV * slow)
            integral = np.clip(integral, -own.windup, own.windup) * on
            motor = np.clip(forward + KV * slow * on + integral, -most, most)
            speed = np.abs(w)
            level = (own.coulomb + CARRIED * np.abs(spring)) * (1 + own.sides * np.sign(w)) * share
            level *= 1 + HUMP * np.exp(-speed / HUMP_SPEED)
            if broken.sticks:
                level += broken.stick * np.exp(-speed / STICK_SPEED)
            yielded = (bristle + STEP * w) / (1 + STEP * own.bristle * speed / level)
            rub = own.bristle * yielded + own.bristle_damping * (yielded - bristle) / STEP
            rub += own.film * share * np.arcsinh(thin * w)
            bristle = yielded
            spring = stiff * (theta - q - error) - own.damping * dq
            over = (own.reflected * w + STEP * (motor - spring - rub)) / own.eased - broken.creep
            w = broken.creep + np.sign(over) * np.maximum(np.abs(over) - bite, 0.0)
            theta = theta + STEP * w
        amp = motor / (own.ratio * kt)
        winding += TICK * ((case - winding) / 240 + own.heat * amp**2)
        warm = airs[at][:, None] + own.shade
        case += TICK * ((warm - case) / 1700 + (winding - case) / 2200)
        sensor += TICK * (case - sensor) / 80
        for name, value in (("q", q), ("goal", goal), ("amp", amp), ("temp", sensor)):
            keep[name][row, tick, order] = value
        for name, word in (("ask", ask), ("word", told), ("free", free)):
            keep[name][row, tick, order] = word
        keep["listed"][:, tick], keep["errand"][:, tick] = listings[at], works[at]
        clock = clock + pace
    return keep


class _Units:
    """The arm's units as the sessions have them in order from the base."""

    def __init__(self, arm: Arm, order: NDArray[np.int64], noise: list[np.random.Generator]):
        self.noise = noise
        self.kt, self.coulomb, self.film = arm.kt[order], arm.coulomb[order], arm.film[order]
        self.sides, self.stiff, self.lift_s = arm.sides[order], arm.stiff[order], arm.lift_s[order]
        self.hose, self.hose_phase = arm.hose[:, order], arm.hose_phase[:, order]
        self.gear_phase = arm.gear_phase[order]
        self.ratio, self.limit = RATIO[order], LIMIT_A[order]
        self.soft, self.damping = SOFT_TWIST[order], DAMPING[order]
        self.reflected, self.brake = REFLECTED[order], BRAKE[order]
        self.windup = WINDUP[order]
        self.bristle = BRISTLE[order]
        self.bristle_damping = 0.4 * np.sqrt(self.bristle * self.reflected)
        self.eased = self.reflected + STEP * self.damping + STEP**2 * self.stiff
        self.heat = np.where(STOUT, 0.0009, 0.006)[order]
        self.session = np.stack([r.normal(1, 0.02, 7) for r in noise])
        self.shade = np.stack([r.normal(0, 1.2, 7) for r in noise])
        self._block = np.empty(0)

    def shakes(self, tick: int) -> Array:
        """Return this tick's standard normals, each session's from its own seed."""
        if tick % 500 == 0:
            self._block = np.stack([r.normal(size=(500, 7)) for r in self.noise])
        out: Array = self._block[:, tick % 500]
        return out

    def hose_torque(self, q: Array) -> Array:
        """Return what hoses and cables ask, once and twice a turn."""
        phase = self.hose_phase
        out: Array = self.hose[0] * np.sin(q + phase[0]) + self.hose[1] * np.sin(2 * q + phase[1])
        return out


class _Faults:
    """What faults do to the drives at an instant, (session, joint from the base)."""

    def __init__(self, plans: list[Plan], order: NDArray[np.int64], coulomb: Array) -> None:
        self.coulomb = coulomb
        self.place: dict[int, tuple[int, Fault]] = {}
        for i, plan in enumerate(plans):
            if plan.fault is not None:
                self.place[i] = (int(np.flatnonzero(order[i] == plan.fault.joint)[0]), plan.fault)
        zero = np.zeros_like(coulomb)
        self.late, self.untold, self.friction, self.drag = (zero.copy() for _ in range(4))
        self.stick, self.creep, self.walled, self.rim, self.side = (zero.copy() for _ in range(5))
        self.sticks = self.blocks = False

    def at(self, t: float, q: Array, rate: Array) -> None:
        """Set everything for the tick that begins at ``t`` s."""
        for i, (j, fault) in self.place.items():
            here = (i, j)
            inside = fault.start_s - 0.02 <= t < fault.end_s
            amount = fault.amount * inside
            match fault.cause:
                case "friction-step":
                    self.friction[here] = amount
                case "friction-growth":
                    gone = (t - fault.start_s) / (fault.end_s - fault.start_s)
                    self.friction[here] = amount * gone
                case "brake-drag":
                    self.drag[here] = amount * self.coulomb[here]
                case "brake-slip":
                    self.creep[here] = amount / (fault.end_s - fault.start_s)
                case "late-release" | "late-release-lying":
                    self.late[here] = amount
                    self.untold[here] = amount if fault.cause.endswith("lying") else 0.0
                case "stick-slip":
                    self.stick[here] = amount * self.coulomb[here]
                case "blocked-motion":
                    if inside and not self.walled[here]:
                        self.walled[here], self.rim[here] = 1.0, q[here]
                        self.side[here] = np.sign(rate[here])
                    elif not inside:
                        self.walled[here] = 0.0
        self.sticks, self.blocks = bool(self.stick.any()), bool(self.walled.any())

    def wall(self, q: Array, dq: Array) -> Array:
        """Return the torque by which a rim pushes back, as the joint must overcome it."""
        into = self.side * (q + STEP * dq - self.rim)
        out: Array = self.walled * self.side * np.maximum(WALL * into, 0.0)
        return out
