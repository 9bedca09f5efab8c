"""Residuals of an invented joint, white or coloured, with faults put in by hand."""

from dataclasses import fields, replace
from datetime import UTC, datetime

import numpy as np

from replay.models.residuals import (
    HELD,
    JUDGED,
    RESTING,
    SLIDING,
    JointResiduals,
    Residual,
    SessionResiduals,
)
from replay.records import Session

STEP_S = 0.2
START = datetime(2033, 5, 2, 6, tzinfo=UTC)


def joint(seed, name="A1", *, minutes=10.0, sd=0.05, colour=0.5, session_sd=0.02, unit="U-1"):
    """Return a joint that moves back and forth, 20 s each way, and brakes every third turn."""
    rng = np.random.default_rng([seed, len(name), *name.encode()])
    n = int(minutes * 60 / STEP_S)
    t = (np.arange(n) + 0.5) * STEP_S
    turn = (t // 30).astype(int)
    phase = t % 30
    sliding = phase < 20
    held = ~sliding & (turn % 3 == 2)
    state = np.where(sliding, SLIDING, np.where(held, HELD, RESTING)).astype(np.int8)
    way = np.where(turn % 2 == 0, 1.0, -1.0)
    speed = 1.0 + 0.5 * np.cos(turn * 1.3)
    rate = np.where(sliding, way * speed, 0.0)
    white = rng.normal(0, sd, (3, n))
    for k in range(1, n):
        white[:, k] = colour * white[:, k - 1] + np.sqrt(1 - colour**2) * white[:, k]
    session = rng.normal(0, session_sd)
    usual = np.sign(rate) * (1.0 + 0.2 * np.abs(rate))
    load = 0.4 * np.sin(0.07 * t) * sliding
    plant = white[0] + session * np.sign(rate)
    variance = np.full(n, sd**2)
    nothing = np.zeros(n)
    return JointResiduals(
        joint=name,
        unit=unit,
        t_s=t,
        time_ns=(t * 1e9).astype(np.int64),
        step_s=STEP_S,
        support_s=0.75,
        state=state,
        reason=np.full(n, JUDGED, dtype=np.int8),
        engaged=held.astype(np.int8),
        engage_cmd=held.astype(np.int8),
        plant=Residual(np.where(sliding, plant, np.nan), variance, nothing, sliding),
        servo=Residual(np.where(held, np.nan, white[1]), variance, nothing, ~held),
        rest=Residual(np.where(sliding, np.nan, white[2]), variance, nothing, ~sliding),
        regressors={
            "coulomb": np.sign(rate),
            "sign": np.sign(rate),
            "viscous": rate,
            "stribeck": nothing,
            "constant": np.ones(n),
            "gain": usual + load,
            "payload": load / 100.0,
        },
        expected_a=usual + load,
        current_a=usual + load + plant,
        angle_deg=np.cumsum(rate) * STEP_S,
        rate_deg_s=rate,
        accel_deg_s2=nothing,
        rate_cmd_deg_s=rate,
        temperature_c=np.full(n, 20.0),
        payload_kg=np.full(n, 100.0),
        extrapolation=nothing,
        angle_resolution_deg=0.001,
        current_resolution_a=0.005,
        figures={"coulomb_a": 1.0, "moving_a": 1.2},
    )


def session(seed, joints=None, name=None):
    """Return a session of two joints, or of those given."""
    made = joints or [joint(seed, "A1", unit="U-1"), joint(seed, "A2", unit="U-2")]
    record = Session(
        session=name or f"s{seed:03d}",
        source="invented",
        arm="invented",
        rows=made[0].t_s.size,
        start=START,
        end=START,
        joints=tuple(j.joint for j in made),
        units={j.joint: j.unit for j in made},
        channels={},
    )
    return SessionResiduals(
        session=record.session,
        record=record,
        joints={j.joint: j for j in made},
        base_end="A",
        payload_declared=True,
    )


def between(one, start_s, end_s):
    """Return the mask of a span."""
    return (one.t_s >= start_s) & (one.t_s < end_s)


def with_shape(one, shape, size, inside):
    """Return the joint with a fault of that shape and size in some blocks."""
    for channel, s in shape.of(one).items():
        residual = getattr(one, channel)
        residual.value[inside] += size * s[inside]
    return one


def thinned(one, every):
    """Return a joint of which every so many-th block is kept: its length, little to sum up."""

    def cut(value):
        if isinstance(value, np.ndarray):
            return value[every // 2 :: every]
        if isinstance(value, Residual):
            return replace(value, **{f.name: cut(getattr(value, f.name)) for f in fields(value)})
        return {k: cut(v) for k, v in value.items()} if isinstance(value, dict) else value

    kept = {f.name: cut(getattr(one, f.name)) for f in fields(one)}
    return replace(one, **{**kept, "step_s": one.step_s * every, "figures": one.figures})
