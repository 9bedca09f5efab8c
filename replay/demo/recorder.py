"""Sensors and the recorder: from what happened to what was written down."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import polars as pl
from numpy.typing import NDArray

from replay.demo import heron
from replay.demo.hardware import Rack
from replay.demo.manoeuvres import Schedule
from replay.demo.plant import Response
from replay.units import TIME, TIME_DTYPE, channel

Array = NDArray[np.float64]

ANGLE_STEP_DEG = 360.0 / 2**17
RATE_STEP_DEG_S = 0.001
CURRENT_STEP_A = 0.01
TEMPERATURE_STEP_C = 0.1
TEMPERATURE_LAG_S = 20.0


@dataclass(frozen=True, slots=True)
class Habits:
    """How untidy a recorder is."""

    jitter_share: float = 0.04  # of a sampling period
    lost_share: float = 0.0005  # single rows
    pauses_per_hour: float = 3.0  # short gaps, up to a second
    stale_per_hour: float = 4.0  # a handful of rows that repeat the last values


@dataclass(frozen=True, slots=True)
class Readings:
    """What the sensors said, one row an instant; arrays of shape (n, 7)."""

    t_s: Array
    angle_deg: Array
    rate_deg_s: Array
    rate_cmd_deg_s: Array
    current_a: Array
    temperature_c: Array
    engage_cmd: NDArray[np.bool_]
    engaged: NDArray[np.bool_]
    payload_kg: Array
    base_b: NDArray[np.bool_]
    phase: NDArray[np.str_]

    def keep(self, rows: NDArray[np.bool_]) -> Readings:
        """Return only the chosen rows."""
        return Readings(*(getattr(self, name)[rows] for name in self.__slots__))


def read_sensors(
    schedule: Schedule,
    response: Response,
    rack: Rack,
    rng: np.random.Generator,
    *,
    rate_hz: float,
    habits: Habits,
) -> Readings:
    """Sample the response at the recorder's instants, with sensor errors."""
    t = _instants(schedule, rng, rate_hz, habits)
    at = t / schedule.dt
    row = np.minimum(at.astype(np.int64), schedule.t.size - 2)
    part = (at - row)[:, None]
    n = t.size

    def between(x: Array) -> Array:
        return np.asarray(x[row] * (1.0 - part) + x[row + 1] * part, dtype=np.float64)

    shape = (n, heron.JOINTS)
    offset_a = rng.normal(0.0, 0.008, heron.JOINTS)
    gain = 1.0 + rng.normal(0.0, 0.004, heron.JOINTS)
    current = between(response.current_a) * gain + offset_a
    current += rng.normal(size=shape) * rack["current_noise_a"]
    angle = between(response.angle_deg) + rng.normal(size=shape) * rack["angle_noise_deg"]
    rate = between(response.rate_deg_s) + rng.normal(size=shape) * rack["rate_noise_deg_s"]
    temperature = between(response.temperature_c) + rng.normal(0.0, 0.05, shape)
    before = np.minimum(at.astype(np.int64), schedule.t.size - 1)
    return Readings(
        t_s=t,
        angle_deg=_step(angle, ANGLE_STEP_DEG),
        rate_deg_s=_step(rate, RATE_STEP_DEG_S),
        rate_cmd_deg_s=_step(schedule.rate_cmd[before], RATE_STEP_DEG_S),
        current_a=_step(current, CURRENT_STEP_A),
        temperature_c=_step(temperature, TEMPERATURE_STEP_C),
        engage_cmd=schedule.engage_cmd[before],
        engaged=response.engaged[before],
        payload_kg=schedule.payload_kg[before],
        base_b=schedule.base_b[before],
        phase=schedule.phase[before],
    )


def make_stale(readings: Readings, rng: np.random.Generator, habits: Habits) -> None:
    """Let the recorder repeat a joint's last values now and then, in place."""
    n = readings.t_s.size
    hours = (readings.t_s[-1] - readings.t_s[0]) / 3600.0
    for _ in range(int(rng.poisson(habits.stale_per_hour * hours))):
        first = int(rng.integers(1, max(n - 6, 2)))
        rows = slice(first, first + int(rng.integers(2, 5)))
        j = int(rng.integers(heron.JOINTS))
        for name in ("angle_deg", "rate_deg_s", "current_a", "temperature_c"):
            values = getattr(readings, name)
            values[rows, j] = values[first - 1, j]


def as_frame(readings: Readings, start: datetime, *, person_on_tip: bool) -> pl.DataFrame:
    """Return the readings as one stream: ``time`` and channels, nulls for NaN."""
    zero = int(start.timestamp()) * 1_000_000_000 + start.microsecond * 1000
    instants = zero + np.round(readings.t_s * 1e9).astype(np.int64)
    columns: dict[str, pl.Series] = {
        TIME: pl.Series(instants).cast(pl.Datetime("ns")).dt.replace_time_zone("UTC")
    }
    assert columns[TIME].dtype == TIME_DTYPE
    for j, joint in enumerate(heron.NAMES):
        for quantity, values in (
            ("angle_deg", readings.angle_deg),
            ("rate_deg_s", readings.rate_deg_s),
            ("rate_cmd_deg_s", readings.rate_cmd_deg_s),
            ("current_a", readings.current_a),
            ("temperature_c", readings.temperature_c),
        ):
            columns[channel(joint, quantity)] = pl.Series(values[:, j], nan_to_null=True)
        columns[channel(joint, "brake_engage_cmd")] = pl.Series(readings.engage_cmd[:, j])
        columns[channel(joint, "brake_engaged")] = pl.Series(readings.engaged[:, j])
    columns["payload_kg"] = pl.Series(readings.payload_kg)
    columns["base_end"] = pl.Series(np.where(readings.base_b, "B", "A"))
    columns["phase"] = pl.Series(readings.phase)
    columns["person_on_tip"] = pl.Series(np.full(readings.t_s.size, person_on_tip))
    return pl.DataFrame(columns)


def _instants(
    schedule: Schedule, rng: np.random.Generator, rate_hz: float, habits: Habits
) -> Array:
    end = schedule.t[-1]
    t = np.arange(0.0, end - 1.0 / rate_hz, 1.0 / rate_hz)
    jitter = np.clip(rng.normal(0.0, habits.jitter_share, t.size), -0.4, 0.4) / rate_hz
    jitter[0] = 0.0
    kept = rng.random(t.size) >= habits.lost_share
    for _ in range(int(rng.poisson(habits.pauses_per_hour * end / 3600.0))):
        first = rng.uniform(0.0, end)
        kept &= (t < first) | (t > first + rng.uniform(0.2, 1.0))
    kept[0] = True
    return np.asarray((t + jitter)[kept], dtype=np.float64)


def _step(x: Array, step: float) -> Array:
    decimals = 4 if step < 0.01 else 2
    return np.asarray(np.round(np.round(x / step) * step, decimals), dtype=np.float64)
