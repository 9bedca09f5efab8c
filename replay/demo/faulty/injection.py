"""Faults put to work: in the plant before it runs, in the readings after."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from replay.demo import heron
from replay.demo.faulty.faults import KNOCK_EVERY_DEG, Fault, Scene
from replay.demo.faulty.placing import contact_direction
from replay.demo.plant import Trouble
from replay.demo.recorder import Readings

Array = NDArray[np.float64]

IN_THE_PLANT = frozenset(
    {"friction", "brake-drag", "brake-slip", "late-release", "stick-slip", "stall", "unusual"}
)
_TICK_S = 1e-6  # a row on the edge belongs to the fault
_SLIP_EASE = 0.15  # share of a slip over which it starts and stops


def trouble_of(faults: Sequence[Fault], scene: Scene) -> Trouble:
    """Return what these faults do to the plant; sizes are in true amperes."""
    t = scene.schedule.t
    made: dict[str, Array] = {}
    late: dict[tuple[int, int], float] = {}

    def of(name: str, fill: float = 0.0) -> Array:
        """Return one kind of trouble's array, which does nothing yet where it is new."""
        return made.setdefault(name, np.full((t.size, heron.JOINTS), fill))

    for fault in faults:
        j = fault.joint
        span = (t >= fault.start_s) & (t < fault.end_s)
        rate = scene.response.rate_deg_s[:, j]
        # Measured amperes: the unit's own torque constant is undone here.
        size = fault.size * float(scene.rack["torque_constant_share"][j])
        if fault.kind in ("friction", "brake-drag"):
            of("extra_friction_a")[span, j] += (size * _friction_shape(fault, scene))[span]
        elif fault.kind == "brake-slip":
            of("slip_deg_s")[span, j] += fault.detail * fault.size * _ease(t, fault)[span]
        elif fault.kind == "late-release":
            late[(j, int(fault.detail))] = fault.size
        elif fault.kind == "stick-slip":
            phase = ((t - fault.start_s) / fault.detail) % 1.0
            stuck = phase < 0.55
            # It winds up while it sticks and runs on when it breaks loose.
            wound = np.where(stuck, phase / 0.55, (1.0 - phase) / 0.45) * 2.0 - 1.0
            of("chatter", 1.0)[span, j] = np.where(stuck, 0.05, 2.16)[span]
            of("chatter_a")[span, j] += (np.sign(rate) * size * wound)[span]
        elif fault.kind == "stall":
            pull, blocked = _contact(fault, scene)
            of("contact_a")[...] += pull
            of("blocked")[...] = np.maximum(of("blocked"), blocked)
        elif fault.flavour == "hum":
            turning = np.tanh(np.abs(rate) / 0.01)
            wave = np.sin(2 * np.pi * fault.detail * t) * turning
            of("chatter", 1.0)
            of("chatter_a")[span, j] += (size * wave)[span]
        else:
            angle = scene.response.angle_deg[:, j]
            near = (angle + KNOCK_EVERY_DEG / 2) % KNOCK_EVERY_DEG - KNOCK_EVERY_DEG / 2
            of("extra_friction_a")[span, j] += (size * np.exp(-((near / 0.5) ** 2)))[span]
    return Trouble(**made, late_release_s=late)


def _friction_shape(fault: Fault, scene: Scene) -> Array:
    t = scene.schedule.t
    if fault.kind == "brake-drag":
        # A lining that rubs a little more on one side: twice a turn.
        angle = np.radians(scene.response.angle_deg[:, fault.joint])
        return np.asarray(1.0 + 0.08 * np.sin(2.0 * angle), dtype=np.float64)
    grown = np.clip((t - fault.start_s) / max(fault.detail, 0.2), 0.0, 1.0)
    fast = np.abs(scene.response.rate_deg_s[:, fault.joint]) / heron.RATE_LIMIT_DEG_S
    return np.asarray(grown * (1.0 + 0.3 * fast), dtype=np.float64)


def _ease(t: Array, fault: Fault) -> Array:
    """Return a rate that starts and stops softly and travels exactly 1."""
    x = (t - fault.start_s) / (fault.end_s - fault.start_s)
    shape = np.clip(np.minimum(x, 1.0 - x) / _SLIP_EASE, 0.0, 1.0)
    dt = float(t[1] - t[0])
    total = float(shape.sum() * dt)
    return np.asarray(shape / total if total > 0 else shape, dtype=np.float64)


def _contact(fault: Fault, scene: Scene) -> tuple[Array, Array]:
    """Return a contact's pull at each joint, A (n, 7), and the share of the rate lost (n, 1)."""
    t = scene.schedule.t
    pull = contact_direction(scene, fault.start_s)
    rise = np.clip((t - fault.start_s) / 1.0, 0.0, 1.0)
    # The structure springs back once the command is gone.
    fall = np.clip((fault.end_s - t) / 0.8, 0.0, 1.0)
    push = np.minimum(rise, fall)
    push[(t < fault.start_s) | (t > fault.end_s)] = 0.0
    per_size = pull / abs(pull[fault.joint])
    share = scene.rack["torque_constant_share"]
    return push[:, None] * (fault.size * per_size * share), (push * fault.detail)[:, None]


def spoil(readings: Readings, faults: Sequence[Fault], rng: np.random.Generator) -> Readings:
    """Return the readings as faulty sensors and a faulty recorder left them."""
    for fault in faults:
        rows = (readings.t_s >= fault.start_s - _TICK_S) & (readings.t_s <= fault.end_s + _TICK_S)
        j = fault.joint
        if fault.kind == "load":
            wrong_kg = np.round(readings.payload_kg * fault.detail, 0)
            readings = replace(
                readings, payload_kg=np.where(readings.payload_kg > 0, wrong_kg, 0.0)
            )
        elif fault.kind == "current-sensor":
            _spoil_current(readings, fault, rows, rng)
        elif fault.kind == "angle-sensor":
            _spoil_angle(readings, fault, rows)
        elif fault.kind == "gap" and j >= 0:
            readings.current_a[rows, j] = np.nan
            if fault.detail:
                for name in ("angle_deg", "rate_deg_s", "temperature_c", "rate_cmd_deg_s"):
                    getattr(readings, name)[rows, j] = np.nan
        elif fault.kind == "gap":
            readings = readings.keep(~rows)
    return readings


def _spoil_current(
    readings: Readings, fault: Fault, rows: NDArray[np.bool_], rng: np.random.Generator
) -> None:
    column = readings.current_a[:, fault.joint]
    if fault.flavour == "offset":
        column[rows] = np.round(column[rows] + fault.size, 2)
    elif fault.flavour == "gain":
        column[rows] = np.round(column[rows] * (1.0 + fault.size), 2)
    elif fault.flavour == "stuck":
        column[rows] = column[np.argmax(rows)]
    else:
        found = np.flatnonzero(rows)
        hit = rng.choice(found, min(int(fault.detail), found.size), replace=False)
        # The first and the last row always: the event is as long as truth says.
        hit = np.unique(np.concatenate([hit, found[[0, -1]]]))
        signs = rng.choice([-1.0, 1.0], hit.size)
        column[hit] = np.round(column[hit] + fault.size * signs, 2)


def _spoil_angle(readings: Readings, fault: Fault, rows: NDArray[np.bool_]) -> None:
    column = readings.angle_deg[:, fault.joint]
    if fault.flavour == "stuck":
        column[rows] = column[np.argmax(rows)]
        return
    gone = (readings.t_s - fault.start_s) / (fault.end_s - fault.start_s)
    shift = np.clip(gone, 0.0, 1.0)
    if fault.flavour == "jump":
        shift = (readings.t_s >= fault.start_s - _TICK_S).astype(float)
    column += np.round(fault.size * shift, 4)
