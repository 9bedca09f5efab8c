"""A three-joint arm in a plane under gravity; its physics is written down body by body.

Moments of weight come from lever arms, inertial ones from point masses, none of it from
the chain that the model under test might find.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from replay.records import Session

JOINTS = ("R1", "R2", "R3")
UNITS = ("U-1", "U-2", "U-3")
LENGTH_M = (0.6, 0.5, 0.3)
MASS_KG = (8.0, 5.0, 2.0)
NM_A = 12.0
HZ = 10.0


def moments(angles, gravity, payload_kg):
    """Moment of weight about each axis, Nm: lever arm times weight, body by body."""
    above = np.cumsum(angles, axis=1)
    reach = np.zeros((angles.shape[0], 4))  # horizontal place of each axis and of the tip
    for k in range(3):
        reach[:, k + 1] = reach[:, k] + LENGTH_M[k] * np.cos(above[:, k])
    out = np.zeros((angles.shape[0], 3))
    for axis in range(3):
        for body in range(axis, 3):
            centre = (reach[:, body] + reach[:, body + 1]) / 2
            out[:, axis] += gravity * MASS_KG[body] * (centre - reach[:, axis])
        out[:, axis] += gravity * payload_kg * (reach[:, 3] - reach[:, axis])
    return out


def add_session(
    archive, seed, *, gravity=9.81, payload_kg=0.0, base=None, declare=False, minutes=4.0,
    leaning_kg=0.0, person=None,
):  # fmt: skip
    """Add some minutes of a planar arm that wanders and rests; ``payload_kg`` may be a row's.

    ``leaning_kg`` hangs on the tip too and is never declared; ``person`` are the rows at which
    the log says that somebody is on the tip.

    On base B the arm stands on its last body, and R3 carries the other two.
    """
    rng = np.random.default_rng(seed)
    t = np.arange(int(60 * minutes * HZ)) / HZ
    degrees = np.zeros((t.size, 3))
    for j in range(3):
        knots = np.arange(0, 60 * minutes + 20, 8.0)
        goal = np.repeat(rng.uniform(-50, 50, knots.size // 2 + 1), 2)[: knots.size]
        degrees[:, j] = np.interp(t, knots, goal)
    rate = np.gradient(degrees, 1 / HZ, axis=0)
    moving = np.abs(rate) > 0.05
    friction = np.where(moving, np.sign(rate) * (0.9 + 0.02 * np.abs(rate)), 0.0)
    turned = -1 if base == "B" else 1
    mass = np.broadcast_to(np.asarray(payload_kg, dtype=float), t.shape)
    weight = moments(np.deg2rad(degrees[:, ::turned]), gravity, mass + leaning_kg)[:, ::turned]
    amps = friction + weight / NM_A + rng.normal(0, 0.05, degrees.shape)
    shown = degrees + rng.normal(0, 0.002, degrees.shape)
    start = datetime(2031, 5, 1, tzinfo=UTC) + timedelta(days=seed)
    return logged(
        archive, f"s{seed:03d}", start, t, shown, amps,
        units=dict(zip(JOINTS, UNITS, strict=True)),
        payload_kg=mass if declare else None,
        person=person,
        arm="planar",
        base_end=base,
    )  # fmt: skip


def logged(
    archive, name, start, t, angle_deg, amps, *, units, payload_kg=None, person=None, **about
):
    """Add a session of one stream: angles and currents (n, k), a column a joint of ``units``."""
    at = np.datetime64(start.replace(tzinfo=None), "ns") + np.round(t * 1e9).astype(
        "timedelta64[ns]"
    )
    columns = {"time": pl.Series(at).dt.replace_time_zone("UTC")}
    for j, joint in enumerate(units):
        columns[f"{joint}.angle_deg"] = pl.Series(angle_deg[:, j])
        columns[f"{joint}.current_a"] = pl.Series(amps[:, j])
    if payload_kg is not None:
        columns["payload_kg"] = pl.Series(payload_kg)
    if person is not None:
        columns["person_on_tip"] = pl.Series(person)
    frame = pl.DataFrame(columns)
    record = Session(
        session=name,
        source=f"{name}.csv",
        rows=frame.height,
        start=start,
        end=start + timedelta(seconds=float(t[-1])),
        joints=tuple(units),
        units=units,
        channels={"main": tuple(c for c in frame.columns if c != "time")},
        rate_hz=float(np.round(1 / (t[1] - t[0]), 6)),
        **about,
    )
    archive.add_session(record, {"main": frame})
    return name
