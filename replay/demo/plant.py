"""The physics of Heron's joints: what happens when a schedule is run.

Built for data, not for review: friction is a bristle that winds up over a
presliding angle and then slips (Canudas de Wit and others, IEEE TAC 40(3),
1995, in the displacement domain), over a film that thins as it warms, with a
mesh that eats a share of the torque it passes on. Motor current is what the
servo must supply, through a loop of finite bandwidth. Rates in deg/s of the
joint, friction in A of motor current.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from replay.demo import bodies, heron
from replay.demo.gear_and_servo import (
    ageing,
    felt,
    first_order,
    lost_motion,
    motor_current,
    passed_on,
    ripple,
    second_order,
    shift,
    wind_up,
)
from replay.demo.hardware import Rack
from replay.demo.manoeuvres import Schedule

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

ORBIT_S = 5550.0
SERVO_RATE_HZ = 0.9
SERVO_CURRENT_HZ = 2.2
SERVO_DAMPING = 0.75
BODY_STEP_S = 0.1
POWER_OFF_S = 0.12  # the drive stays on this long after the brake has closed


@dataclass(frozen=True, slots=True)
class Conditions:
    """What one session finds: temperatures, lubricant, structure."""

    ambient_c: Array  # (7,)
    orbit_swing_c: Array  # (7,)
    orbit_phase: float
    friction_share: Array  # (7,) of the unit's usual friction
    flex_hz: float
    flex_share: float
    flex_damping: float
    holding_fade_s: Array  # (7,)
    already_warm_c: Array  # (7,)


@dataclass(frozen=True, slots=True)
class Trouble:
    """What faults do to the plant, as arrays on the schedule's grid.

    An entry that is None does nothing, so a healthy session pays nothing.
    """

    extra_friction_a: Array | None = None  # (n, 7)
    slip_deg_s: Array | None = None  # (n, 7), while the brake is closed
    chatter: Array | None = None  # (n, 7), factor on the rate
    chatter_a: Array | None = None  # (n, 7)
    contact_a: Array | None = None  # (n, 7)
    blocked: Array | None = None  # (n, 7), share of the rate that is lost
    late_release_s: Mapping[tuple[int, int], float] = field(default_factory=dict)
    """Whole delay of a joint's k-th release, by (joint, k)."""


@dataclass(frozen=True, slots=True)
class Response:
    """What truly happened, on the schedule's grid; all of shape (n, 7)."""

    angle_deg: Array
    rate_deg_s: Array
    current_a: Array
    temperature_c: Array
    engaged: Mask
    load_nm: Array
    releases: list[tuple[int, int, float, float]]
    """Joint, how manieth release, commanded at and freed at, in seconds."""


def draw_conditions(rng: np.random.Generator, *, season_c: float, payload_kg: float) -> Conditions:
    """Draw a session's conditions around the season's mean temperature."""
    j = heron.JOINTS
    return Conditions(
        ambient_c=season_c + rng.normal(0.0, 1.5) + rng.normal(0.0, 1.5, j),
        orbit_swing_c=rng.uniform(0.5, 3.0, j),
        orbit_phase=float(rng.uniform(0, 2 * np.pi)),
        friction_share=np.exp(rng.normal(0.0, 0.015) + rng.normal(0.0, 0.012, j)),
        flex_hz=float(rng.uniform(0.25, 0.6) / np.sqrt(1.0 + payload_kg / 1500.0)),
        flex_share=float(rng.uniform(0.05, 0.25)),
        flex_damping=float(rng.uniform(0.06, 0.15)),
        holding_fade_s=rng.uniform(4.0, 20.0, j),
        already_warm_c=rng.uniform(0.0, 2.0, j),
    )


def respond(
    schedule: Schedule, rack: Rack, conditions: Conditions, trouble: Trouble | None = None
) -> Response:
    """Run a schedule on a set of joint units and return what happened."""
    trouble = trouble or Trouble()
    dt = schedule.dt
    engaged, releases = _brakes(schedule, rack, trouble)
    command = np.where(engaged, 0.0, schedule.rate_cmd)
    rate = second_order(command, SERVO_RATE_HZ, SERVO_DAMPING, dt)
    if trouble.chatter is not None:
        rate = rate * trouble.chatter
    if trouble.blocked is not None:
        rate = rate * (1.0 - trouble.blocked)
    rate[engaged] = 0.0
    if trouble.slip_deg_s is not None:
        rate = rate + np.where(engaged, trouble.slip_deg_s, 0.0)
    angle = schedule.start_deg + np.cumsum(rate, axis=0) * dt
    load = _load(schedule, angle, conditions)
    push = _push_on_closed_brake(schedule, engaged)

    still = conditions.ambient_c + conditions.already_warm_c
    temperature = still + conditions.orbit_swing_c * np.sin(
        2 * np.pi * schedule.t[:, None] / ORBIT_S + conditions.orbit_phase
    )
    bristle = _bristle(rate, angle, rack, conditions, temperature, dt)
    demand = bristle + _film(rate, rack, conditions, temperature)
    heat = demand**2 * rack["heating_c_a2"]
    temperature = temperature + first_order(heat, rack["thermal_lag_s"], dt)
    # The warmth changes the film; one more pass is enough, it moves slowly.
    demand = bristle + _film(rate, rack, conditions, temperature)
    demand = demand + ripple(rate, angle, rack) + push
    demand = demand + felt(passed_on(load, rate, rack), rate, rack) + motor_current(rate, dt)
    if trouble.extra_friction_a is not None:
        demand = demand + trouble.extra_friction_a * np.tanh(rate / 0.01)
    if trouble.chatter_a is not None:
        demand = demand + trouble.chatter_a
    if trouble.contact_a is not None:
        demand = demand + trouble.contact_a
    demand = demand / rack["torque_constant_share"]

    powered = ~shift(engaged, round(POWER_OFF_S / dt))
    demand = np.where(powered, demand, 0.0)
    current = second_order(demand, SERVO_CURRENT_HZ, SERVO_DAMPING, dt)
    current = np.where(powered, current, 0.0)
    np.clip(current, -heron.CURRENT_LIMIT_A, heron.CURRENT_LIMIT_A, out=current)
    # A servo gives way a little before it answers a change of load.
    moving = ~engaged & (np.abs(rate) > 1e-4)
    rate = rate - np.where(moving, 0.02 * (demand - current), 0.0)
    motor = schedule.start_deg + np.cumsum(rate, axis=0) * dt
    angle = motor - lost_motion(bristle, load, engaged, rack)
    return Response(angle, rate, current, temperature, engaged, load, releases)


def _brakes(
    schedule: Schedule, rack: Rack, trouble: Trouble
) -> tuple[Mask, list[tuple[int, int, float, float]]]:
    engaged = schedule.engage_cmd.copy()
    releases = []
    dt, n = schedule.dt, schedule.t.size
    for j in range(heron.JOINTS):
        edges = np.diff(schedule.engage_cmd[:, j].astype(np.int8))
        for k, row in enumerate(np.flatnonzero(edges == -1) + 1):
            wobble = 1.0 + 0.06 * np.sin(7.3 * k + 1.9 * j)
            delay = float(rack["release_delay_s"][j] * wobble)
            delay = trouble.late_release_s.get((j, k), delay)
            end = min(int(row) + round(delay / dt), n)
            engaged[row:end, j] = True
            releases.append((j, k, float(row * dt), float(end * dt)))
        for k, row in enumerate(np.flatnonzero(edges == 1) + 1):
            wobble = 1.0 + 0.06 * np.sin(5.1 * k + 2.3 * j)
            delay = float(rack["engage_delay_s"][j] * wobble)
            engaged[row : row + round(delay / dt), j] = False
    return engaged, releases


def _push_on_closed_brake(schedule: Schedule, engaged: Mask) -> Array:
    """Return current that builds up where motion is asked of a closed brake."""
    asked = engaged & ~schedule.engage_cmd & (np.abs(schedule.rate_cmd) > 1e-4)
    if not asked.any():
        return np.zeros_like(schedule.rate_cmd)
    wanted = np.where(asked, np.sign(schedule.rate_cmd) * 2.5, 0.0)
    return first_order(wanted, np.full(heron.JOINTS, 0.3), schedule.dt)


def _load(schedule: Schedule, angle: Array, conditions: Conditions) -> Array:
    step = max(round(BODY_STEP_S / schedule.dt), 1)
    coarse = bodies.load_torque(
        angle[::step], step * schedule.dt, schedule.payload_kg[::step], schedule.base_b[::step]
    )
    # The booms bend: a share of the torque rings on after each pulse.
    ringing = second_order(coarse, conditions.flex_hz, conditions.flex_damping, step * schedule.dt)
    coarse = coarse + conditions.flex_share * (ringing - coarse)
    at, grid = schedule.t[::step], schedule.t
    return np.stack([np.interp(grid, at, coarse[:, j]) for j in range(heron.JOINTS)], axis=1)


def _bristle(
    rate: Array, angle: Array, rack: Rack, conditions: Conditions, temperature: Array, dt: float
) -> Array:
    """Return dry friction: it relaxes to its slip level over an angle."""
    sign = np.sign(rate)
    cold = 1.0 - rack["seal_per_c"] * (temperature - 20.0)
    slip_level = np.where(sign >= 0, rack["coulomb_forward_a"], rack["coulomb_reverse_a"])
    film_rate = rack["lubrication_rate_deg_s"] * (1.0 + 0.012 * (temperature - 20.0))
    extra = rack["breakaway_extra_a"] * (1.0 + 0.01 * (temperature - 20.0))
    extra = extra + ageing(rate, angle, rack, dt)
    level = (slip_level * cold + extra * np.exp(-((rate / film_rate) ** 2))) * (
        conditions.friction_share
    )
    moving = np.abs(rate) > 1e-5
    log_keep = np.where(
        moving, -np.abs(rate) * dt / rack["presliding_deg"], -dt / conditions.holding_fade_s
    )
    push = np.where(moving, -sign * level * np.expm1(log_keep), 0.0)
    return np.stack([wind_up(log_keep[:, j], push[:, j]) for j in range(heron.JOINTS)], axis=1)


def _film(rate: Array, rack: Rack, conditions: Conditions, temperature: Array) -> Array:
    thin = np.exp(-(temperature - 20.0) / rack["film_fading_c"])
    size = np.abs(rate) ** rack["film_power"]
    return np.asarray(
        np.sign(rate) * rack["film_a"] * size * thin * conditions.friction_share, dtype=np.float64
    )
