"""Invented indicator histories: laws, seasons, memory, missing months, known truth."""

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import polars as pl

from replay.wear.indicators import SCHEMA
from replay.wear.units.maintenance import SCHEMA as NOTES

BEGIN = datetime(2031, 1, 5, 8, tzinfo=UTC)
YEAR_US = 365.25 * 86400e6

LAWS = {
    "none": lambda t: 0.0 * t,
    "linear": lambda t: t,
    "accelerating": lambda t: t**2,
    "slowing": lambda t: np.sqrt(t),
    "begun late": lambda t: np.maximum(t - 0.35, 0) / 0.65,
    "exponential": lambda t: np.expm1(2.5 * t) / np.expm1(2.5),
}
"""Growth over the history, from 0 to 1 on t from 0 to 1."""


@dataclass
class Made:
    """One unit's rows and what is true of it."""

    rows: pl.DataFrame
    years: np.ndarray
    truth: np.ndarray
    """Level under the usual conditions, per session."""


def unit(
    seed,
    *,
    serial="TU-101",
    joint="J1",
    sessions=120,
    years=2.0,
    law="linear",
    growth=0.2,
    level=1.2,
    noise=0.04,
    memory=0.0,
    season=0.08,
    missing=True,
    indicator="friction at usual rate",
    arm="Heron",
):
    """Return one unit's history of one indicator.

    ``growth`` is relative to ``level``, over the whole history. ``noise`` is
    the relative spread between sessions; some sessions are worse and say so.
    """
    rng = np.random.default_rng(seed)
    t = np.sort(rng.uniform(0, years, sessions * 2 if missing else sessions))
    if missing:
        gap = rng.uniform(0.2, 0.7) * years
        t = t[(t < gap) | (t > gap + 2 / 12)]
        t = np.sort(rng.choice(t, min(sessions, len(t)), replace=False))
    n = len(t)
    share = t / years
    truth = level * (1 + growth * LAWS[law](share))
    temperature = 18 + 11 * np.sin(2 * np.pi * t + 0.7) + rng.normal(0, 2.5, n)
    base_b = rng.random(n) < 0.3
    load = np.where(base_b, 40.0, 25.0) * rng.lognormal(0, 0.3, n)
    se = level * rng.uniform(0.005, 0.05, n)
    wander = np.zeros(n)
    shock = rng.normal(size=n)
    for k in range(n):
        wander[k] = (memory * wander[k - 1] if k else 0) + np.sqrt(1 - memory**2) * shock[k]
    cold = (18 - temperature) / 11
    value = (
        truth
        + level * season * (cold + 0.15 * cold**2)
        + level * 0.001 * (load - 30)
        + level * noise * wander
        + se * rng.normal(size=n)
    )
    start = (t * YEAR_US).astype(np.int64) + int(BEGIN.timestamp() * 1e6)
    rows = pl.DataFrame(
        {
            "session": [f"S{k:05d}" for k in range(n)],
            "arm": [arm] * n,
            "joint": [joint] * n,
            "serial": [serial] * n,
            "indicator": [indicator] * n,
            "unit": ["A"] * n,
            "value": value,
            "se": se,
            "n": [10] * n,
            "start": pl.Series(start).cast(pl.Datetime("us")).dt.replace_time_zone("UTC"),
            "baseline": [""] * n,
            "at": pl.Series(start).cast(pl.Datetime("us")).dt.replace_time_zone("UTC"),
            "temperature_c": temperature,
            "load_nm": load,
            "rate_deg_s": rng.lognormal(0, 0.2, n),
            "payload_kg": [0.0] * n,
            "base_end": np.where(base_b, "B", "A"),
            "method": [1] * n,
            "reference_stage": [3] * n,
            "posture_told": [True] * n,
            "bracket_low": [None] * n,
            "bracket_high": [None] * n,
        },
        schema=SCHEMA,
    )
    return Made(rows, t, truth)


def no_notes():
    """Return an empty maintenance log."""
    return pl.DataFrame(schema=NOTES)


def note(serial, when, what):
    """Return a maintenance log of one note."""
    row = dict.fromkeys(NOTES, "") | {"serial": serial, "date": when, "what": what}
    return pl.DataFrame([row], schema=NOTES)
