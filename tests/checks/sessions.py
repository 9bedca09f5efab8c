"""Sessions of a two-joint bench, simple on purpose, with faults put in by hand."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from replay.records import Session

JOINTS = ("P1", "P2")


def bench(seed, *, minutes=6.0, hz=10.0, brakes=True, heat=True):
    """Return columns of one session: moves back and forth with rests between."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(minutes * 60 * hz)) / hz
    columns = {"t": t}
    for k, joint in enumerate(JOINTS):
        period, run = 30.0, 20.0
        phase = (t + 7 * k) % period
        number = ((t + 7 * k) // period).astype(int)
        speed = rng.uniform(0.8, 3.0, number.max() + 1)[number]
        sign = np.where(number % 2 == 0, 1.0, -1.0)
        ramp = np.clip(np.minimum(phase - 5.0, 5.0 + run - phase) / 1.5, 0.0, 1.0)
        command = sign * speed * ramp
        rate = np.convolve(command, np.ones(3) / 3, "same")
        degrees = np.cumsum(rate) / hz + rng.normal(0, 0.002, t.size)
        celsius = 15 + 10 * rng.uniform() + 3 * t / t.max()
        friction = 1.2 + 0.25 * np.abs(rate) - 0.01 * (celsius - 20) * np.abs(rate)
        asymmetry = np.where(rate > 0, 1.0, 1.15)
        accel = np.gradient(rate) * hz
        moving = np.abs(rate) > 0.01
        amps = np.where(moving, np.sign(rate) * friction * asymmetry + 0.3 * accel, 0.0)
        amps = amps * (1 + 0.01 * rng.normal()) + rng.normal(0, 0.05, t.size)
        released = (phase > 4.0) & (phase < 5.0 + run + 1.5)
        columns[joint] = {
            "angle_deg": degrees,
            "rate_cmd_deg_s": command,
            "current_a": amps,
            "_rate": rate,
            "_moving": moving,
        }
        if heat:
            columns[joint]["temperature_c"] = celsius
        if brakes:
            columns[joint]["brake_engage_cmd"] = ~released
            columns[joint]["brake_engaged"] = ~np.roll(released, 1)
    return columns


def add(archive, name, columns, *, day=0, arm="bench", serials=("S-1", "S-2"), hide=()):
    """Put a session into an archive."""
    start = datetime(2031, 4, 1, tzinfo=UTC) + timedelta(days=day)
    t = columns["t"]
    offsets = np.round(t * 1e9).astype("timedelta64[ns]")
    time = np.datetime64(start.replace(tzinfo=None), "ns") + offsets
    data = {"time": pl.Series(time).dt.replace_time_zone("UTC")}
    for joint in JOINTS:
        for quantity, values in columns[joint].items():
            if not quantity.startswith("_") and quantity not in hide:
                series = pl.Series(values)
                data[f"{joint}.{quantity}"] = (
                    series.fill_nan(None) if series.dtype.is_float() else series
                )
    frame = pl.DataFrame(data)
    record = Session(
        session=name,
        source=f"{name}.csv",
        arm=arm,
        rows=frame.height,
        start=start,
        end=start + timedelta(seconds=float(t[-1])),
        joints=JOINTS,
        units=dict(zip(JOINTS, serials, strict=True)),
        channels={"main": tuple(c for c in frame.columns if c != "time")},
        rate_hz=10.0,
    )
    archive.add_session(record, {"main": frame})
    return name


def between(columns, start, end):
    """Return the mask of a time span."""
    return (columns["t"] >= start) & (columns["t"] < end)
