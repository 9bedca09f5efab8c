"""A six-joint arm under gravity whose logs come without an arm file: truth is plain numbers.

Links hang on joints 2, 3 and 5, so a joint's current follows the whole posture, and the
parts it carries, which no column tells. Programs stay for weeks and then change. Friction
is Coulomb's, a viscous part and a share of the torque carried; it grows where told to.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

BEGIN = datetime(2031, 1, 5, 8, tzinfo=UTC)
JOINTS = tuple(f"J{k}" for k in range(1, 7))
REACH = np.array([0.0, 0.45, 0.40, 0.0, 0.10, 0.05])
"""Metres from each joint to the next along the bent arm."""
MASS = np.array([0.0, 8.0, 5.0, 0.0, 2.0, 1.0])
AMPERE_PER_NM = np.array([0.08, 0.08, 0.09, 0.2, 0.2, 0.2])
COULOMB_A = np.array([0.9, 1.0, 0.8, 0.4, 0.35, 0.3])
VISCOUS = np.array([0.012, 0.012, 0.012, 0.006, 0.006, 0.006])
"""A s/deg."""


def gravity_nm(angle_deg: np.ndarray, payload_kg: float) -> np.ndarray:
    """Return the torque of gravity, shape (n, 6): joints 2, 3 and 5 turn in one plane."""
    turn = np.radians(angle_deg)
    lean = np.zeros_like(turn)
    lean[:, 1] = turn[:, 1]
    lean[:, 2] = lean[:, 3] = turn[:, 1] + turn[:, 2]
    lean[:, 4] = lean[:, 5] = lean[:, 2] + turn[:, 4] * np.cos(turn[:, 3])
    out = np.zeros_like(turn)
    beyond = np.full(len(turn), payload_kg)
    moment = np.zeros(len(turn))
    for k in (5, 4, 2, 1):
        moment = moment + 9.81 * (beyond + MASS[k] / 2) * REACH[k] * np.sin(lean[:, k])
        out[:, k] = moment
        beyond = beyond + MASS[k]
    out[:, 3] = 0.3 * out[:, 4] * np.sin(turn[:, 3])
    return out


def program(seed) -> tuple[np.ndarray, float]:
    """Return the postures that a program goes through, and the part it carries."""
    rng = np.random.default_rng(seed)
    middle = rng.uniform([-60, -40, 30, -60, -60, -90], [60, 40, 110, 60, 60, 90])
    stops = middle + rng.uniform(-1, 1, (rng.integers(3, 7), 6)) * [70, 30, 35, 50, 40, 80]
    return stops, float(rng.choice([0.0, 0.0, 0.5, 2.0, 4.0]))


def session(
    seed, stops, payload_kg, *, factor=1.0, warmth=0.0, seconds=120.0, rate_hz=20.0
) -> pl.DataFrame:
    """Return one session's stream; ``factor`` multiplies each joint's friction, shape (6,)."""
    rng = np.random.default_rng(seed)
    n = int(seconds * rate_hz)
    t = np.arange(n) / rate_hz
    knots, at, where = [0.0], [stops[0]], 0
    while knots[-1] < seconds:
        where = (where + 1) % len(stops)
        goal = stops[where] + rng.normal(0, 2, 6)
        took = max(np.abs(goal - at[-1]).max() / rng.uniform(15, 40), 1.0)
        knots += [knots[-1] + took, knots[-1] + took + rng.uniform(0.5, 1.5)]
        at += [goal, goal]
    # a cosine blend between stops: smooth rates, rest at each
    leg = np.clip(np.searchsorted(knots, t, side="right") - 1, 0, len(knots) - 2)
    k0, k1 = np.array(knots)[leg], np.array(knots)[leg + 1]
    share = 0.5 - 0.5 * np.cos(np.pi * (t - k0) / (k1 - k0))
    angle = np.array(at)[leg] + share[:, None] * (np.array(at)[leg + 1] - np.array(at)[leg])
    rate = np.gradient(angle, t, axis=0)
    accel = np.gradient(rate, t, axis=0)
    load = gravity_nm(angle, payload_kg) * AMPERE_PER_NM
    friction = (
        COULOMB_A * (1 - 0.006 * warmth)
        + 0.04 * np.abs(load)
        + VISCOUS * (1 - 0.02 * warmth) * np.abs(rate)
    ) * factor
    current = load + np.tanh(rate / 0.3) * friction + 0.002 * accel
    current += rng.normal(0, 0.05, current.shape)
    columns: dict[str, object] = {"t": t}
    for k, name in enumerate(JOINTS):
        columns[f"{name}.angle_deg"] = angle[:, k] + rng.normal(0, 0.003, n)
        columns[f"{name}.rate_deg_s"] = rate[:, k] + rng.normal(0, 0.02, n)
        columns[f"{name}.current_a"] = current[:, k]
    return pl.DataFrame(columns)


def year(seed, *, sessions=35, days=365.0, growth=None, swing_c=0.0, seconds=120.0):
    """Yield (start, frame) of an arm's sessions.

    ``growth`` is the share by which each joint's friction grows over the year;
    ``swing_c`` the season's amplitude, which no column tells.
    """
    rng = np.random.default_rng([seed, 7])
    growth = np.zeros(6) if growth is None else np.asarray(growth)
    due, number = 0, 0
    for k in range(sessions):
        if k >= due:
            number += 1
            due = k + int(rng.integers(4, 12))
            stops, payload = program([seed, number])
        day = days * k / max(sessions - 1, 1)
        start = BEGIN + timedelta(days=day)
        warmth = swing_c * np.sin(2 * np.pi * day / 365.25)
        frame = session([seed, k, 1], stops, payload, factor=1 + growth * day / days, warmth=warmth)
        n = frame.height
        time = pl.Series([start], dtype=pl.Datetime("ns", "UTC")).new_from_index(0, n)
        stamp = time + pl.Series((frame["t"].to_numpy() * 1e9).round().astype(np.int64)).cast(
            pl.Duration("ns")
        )
        yield start, frame.drop("t").insert_column(0, stamp.alias("time"))
