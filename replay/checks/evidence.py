"""What an event looks like, in amperes, degrees and seconds.

Each explanation (more friction, an offset, a gain, a wrong load) predicts a
shape of the remainder; the share of the event's remainder that a shape takes
away is the evidence for it, and the runner-up's share the evidence against.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from replay.models.bins import MOVING, Floats
from replay.models.expected import ExpectedCurrent
from replay.models.trace import Trace


@dataclass(slots=True)
class Evidence:
    """Measured over one event; NaN where it cannot be measured."""

    seconds: float
    moving_s: float
    drag_a: float
    """Mean current against the motion beyond the expected, A."""
    forward_a: float
    backward_a: float
    resting_a: float
    expected_a: float
    """Median size of the expected current while moving, A."""
    peak_a: float
    shares: dict[str, float]
    tracking: float
    """Median of (commanded less measured rate) / commanded, while commanded."""
    push_a: float
    """Mean current in the commanded direction beyond what the commanded rate
    needs, A."""
    push_z: float
    rate_ratio: float
    """Spread of the rate inside bins, against the rest of the session."""
    current_ratio: float
    after_release_s: float
    """From the last brake release to the onset, in seconds of motion."""
    brake_cycles: int
    """Releases inside the event."""
    temperature_c: float
    speed_deg_s: float
    astray_deg: float
    """Travel by the angle less travel by the logged rate, deg."""


def gather(trace: Trace, start_s: float, end_s: float, model: ExpectedCurrent) -> Evidence:
    """Measure everything that tells explanations apart."""
    bins = trace.bins
    inside = (bins.end_s >= start_s) & (bins.start_s <= end_s)
    moving = inside & (bins.motion == MOVING) & np.isfinite(trace.rest)
    resting = inside & (bins.motion != MOVING) & np.isfinite(trace.rest)
    side = trace.side
    rest = trace.rest
    forward, backward = moving & (side > 0), moving & (side < 0)
    shares = _shares(trace, moving & (trace.sd > 0))
    commanded = inside & (np.abs(np.nan_to_num(bins.rate_cmd)) > 0.2 * _typical(bins.rate_cmd))
    lag = (bins.rate_cmd[commanded] - bins.rate[commanded]) / bins.rate_cmd[commanded]
    outside = ~inside & (bins.motion == MOVING)
    push, push_z = _push(trace, commanded, model)
    return Evidence(
        seconds=end_s - start_s,
        moving_s=float(trace.seconds[moving].sum()),
        drag_a=_mean(rest[moving] * side[moving]),
        forward_a=_mean(rest[forward]),
        backward_a=_mean(rest[backward]),
        resting_a=_median(rest[resting]) - _usual_rest(trace, inside),
        expected_a=_median(np.abs(trace.expected[moving])),
        peak_a=float(np.nanmax(np.abs(rest[inside])))
        if np.isfinite(rest[inside]).any()
        else np.nan,
        shares=shares,
        tracking=_median(lag),
        push_a=push,
        push_z=push_z,
        rate_ratio=_ratio(bins.rate_sd, inside & (bins.motion == MOVING), outside),
        current_ratio=_ratio(bins.current_sd, inside & (bins.motion == MOVING), outside),
        after_release_s=_since_release(trace, start_s),
        brake_cycles=_releases(trace, start_s, end_s),
        temperature_c=_median(bins.temperature[inside]),
        speed_deg_s=_median(np.abs(bins.rate[moving])),
        astray_deg=float(np.sum(bins.astray[inside])),
    )


def _shares(trace: Trace, rows: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> dict[str, float]:
    if rows.sum() < 3:
        return {}
    bins = trace.bins
    weight = np.minimum(trace.seconds[rows], 1.0) / trace.sd[rows] ** 2
    limit = 15 * trace.sd[rows]
    rest = np.clip(trace.rest[rows], -limit, limit)
    shapes: dict[str, list[Floats]] = {
        "friction": [trace.side[rows]],
        "offset": [np.ones(rest.size)],
        "gain": [trace.expected[rows]],
    }
    load, accel = np.nan_to_num(bins.load[rows]), np.nan_to_num(bins.accel[rows])
    if np.ptp(load) > 0:
        shapes["load"] = [load]
    elif np.ptp(accel) > 0:
        shapes["load"] = [accel]
    whole = float(np.sum(weight * rest * rest))
    made = {}
    for name, columns in shapes.items():
        design = np.column_stack(columns)
        normal = (design * weight[:, None]).T @ design
        normal += 1e-9 * np.trace(normal) * np.eye(design.shape[1]) + 1e-12 * np.eye(
            design.shape[1]
        )
        beta = np.linalg.solve(normal, (design * weight[:, None]).T @ rest)
        left = rest - design @ beta
        made[name] = float(1 - np.sum(weight * left * left) / max(whole, 1e-12))
    return made


def _usual_rest(trace: Trace, inside: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> float:
    """Return the remainder at rest in the rest of the session, A."""
    usual = _median(trace.rest[~inside & (trace.bins.motion != MOVING)])
    return usual if np.isfinite(usual) else 0.0


def _push(
    trace: Trace, rows: np.ndarray[tuple[int], np.dtype[np.bool_]], model: ExpectedCurrent
) -> tuple[float, float]:
    """Compare the current with what the commanded (not the measured) rate needs."""
    if not rows.any():
        return float("nan"), float("nan")
    asked = trace.bins.take(rows)
    sign = np.sign(asked.rate_cmd)
    asked.rate = asked.rate_cmd
    asked.direction = sign.astype(np.int64)
    asked.motion = np.full(len(asked), MOVING)
    asked.accel = np.zeros(len(asked))
    asked.accel_before = np.zeros(len(asked))
    expected, sd, _ = model.predict(asked)
    excess = (asked.current - expected) * sign
    return _mean(excess), _mean(excess / sd)


def _since_release(trace: Trace, start_s: float) -> float:
    """Return the seconds of motion between the last release and the onset."""
    bins = trace.bins
    engaged = np.nan_to_num(bins.engaged, nan=-1.0)
    if not (engaged == 1.0).any():
        return float("nan")
    before = np.flatnonzero(bins.start_s < start_s)
    if not before.size:
        return 0.0
    held = np.flatnonzero(engaged[before] == 1.0)
    since = before[held[-1] + 1 :] if held.size else before
    moving = since[bins.motion[since] == MOVING]
    return float(trace.seconds[moving].sum())


def _releases(trace: Trace, start_s: float, end_s: float) -> int:
    bins = trace.bins
    inside = (bins.start_s >= start_s) & (bins.end_s <= end_s)
    engaged = np.nan_to_num(bins.engaged[inside], nan=0.0)
    return int(np.sum((engaged[1:] == 0.0) & (engaged[:-1] == 1.0)))


def _typical(values: Floats) -> float:
    good = np.abs(values[np.isfinite(values)])
    good = good[good > 0]
    return float(np.quantile(good, 0.9)) if good.size else float("inf")


def _mean(values: Floats) -> float:
    good = values[np.isfinite(values)]
    return float(np.mean(good)) if good.size else float("nan")


def _median(values: Floats) -> float:
    good = values[np.isfinite(values)]
    return float(np.median(good)) if good.size else float("nan")


def _ratio(
    values: Floats,
    inside: np.ndarray[tuple[int], np.dtype[np.bool_]],
    outside: np.ndarray[tuple[int], np.dtype[np.bool_]],
) -> float:
    a, b = _mean(values[inside]), _median(values[outside])
    return a / b if b > 0 else float("nan")
