"""The columns from which a moving joint's current is explained.

Blocks follow what a geared joint does: friction by direction and speed, with
a drop from rest (Stribeck), the current that speeds the joint up, the load's
own torque and the friction that the load adds, and warming, which lowers
friction at speed and raises it near rest, so that curves of two temperatures
cross and no single percentage per degree can serve. Equations: the static
friction map of Bittencourt and Gunnarsson, "Static friction in a robot
joint", ASME J. Dyn. Sys. 134(5), 2012, made linear in its coefficients.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from replay.models import posture
from replay.models.bins import Bins, Floats

BLOCKS = ("speed", "posture", "accel", "load", "payload", "temperature", "angle")
"""In the order in which they are offered; ``speed`` is always there."""

LEAST_PAYLOAD_KG = 1e-3
MOST_PAYLOAD = 1.5
"""Beyond this many times the trained payload nothing was learned about its inertia."""

LEAST_OF_END = 200
"""Fewer moving bins teach nothing about what a joint carries on that base end."""

LEVELS = (0.2, 0.45, 0.7)
"""Speed quantiles at which the friction curve may bend."""


@dataclass(frozen=True, slots=True)
class Scales:
    """What turns deg/s, degC and Nm into plain numbers, from training data."""

    speed: float
    slow: float
    bends: tuple[float, ...]
    accel: float
    temperature: float
    temperature_span: float
    load: float
    payload: float
    terms: tuple[posture.Term, ...] = ()
    """What the block ``posture`` is made of."""
    ends: tuple[int, ...] = ()
    """Base end that each term is for: 0 end A, 1 end B, -1 either."""
    bases: tuple[int, ...] = ()
    """Base ends that moving bins were trained on; none: the log does not say, or the load is
    known and tells all of it."""

    @property
    def both_ends(self) -> bool:
        """Tell whether the arm stood on either end: its joints then carry another part of it."""
        return len(self.bases) > 1

    @classmethod
    def measure(cls, bins: Bins) -> Scales:
        """Read the scales off moving bins; a missing quantity gets scale 1."""
        v = np.abs(bins.rate)
        v = v[np.isfinite(v)]
        top = float(np.quantile(v, 0.98)) if v.size else 1.0
        bends = tuple(float(q) for q in np.quantile(v, LEVELS)) if v.size else (0.3, 0.5, 0.7)
        t = bins.temperature[np.isfinite(bins.temperature)]
        return cls(
            speed=max(top, 1e-9),
            slow=max(0.08 * top, 1e-9),
            bends=bends,
            accel=_size(bins.accel, 0.9),
            temperature=float(np.median(t)) if t.size else 0.0,
            temperature_span=max(float(np.ptp(np.quantile(t, [0.05, 0.95]))), 1.0)
            if t.size
            else 1.0,
            load=_size(bins.load, 0.9),
            payload=_size(bins.payload, 0.9),
            bases=() if _varies(bins.load) else bases_of(bins),
        )


def available(bins: Bins, scales: Scales) -> tuple[str, ...]:
    """Return the blocks that these bins have values (and variety) for."""
    got = ["speed"]
    if scales.terms:
        got.append("posture")
    if _varies(bins.accel):
        got.append("accel")
    if _varies(bins.load):
        got.append("load")
    elif _varies(bins.payload):
        got.append("payload")
    if _varies(bins.temperature):
        got.append("temperature")
    if _varies(bins.angle_first):
        got.append("angle")
    return tuple(got)


def columns(bins: Bins, scales: Scales, blocks: tuple[str, ...]) -> Floats:
    """Return the design matrix, shape (bins, columns); missing values are 0."""
    s = np.sign(bins.rate)
    v = np.abs(bins.rate) / scales.speed
    near_rest = np.exp(-np.abs(bins.rate) / scales.slow)
    made: list[Floats] = []
    for side in (s > 0, s < 0):
        one = side.astype(np.float64)
        made += [one, one * v, one * near_rest]
        made += [one * np.maximum(v - b / scales.speed, 0.0) for b in scales.bends]
    if "accel" in blocks:
        a = bins.accel / scales.accel
        made += [a, s * np.abs(a), bins.accel_before / scales.accel]
        # always there, so that a session with a payload fits a model without
        known = scales.payload > LEAST_PAYLOAD_KG
        payload = np.nan_to_num(bins.payload) / scales.payload if known else np.zeros(len(bins))
        made.append(a * np.minimum(payload, MOST_PAYLOAD))
        if scales.both_ends:
            other = np.nan_to_num(bins.base_b)
            made += [other * column for column in (a, made[-2], made[-1])]
    if "load" in blocks:
        load = bins.load / scales.load
        driving = np.where(load * s > 0, load, 0.0)
        made += [load, driving, s * np.abs(load), s * np.abs(load) * near_rest]
        made += [
            bins.load_before / scales.load,
            np.where(driving != 0, bins.load_before, 0.0) / scales.load,
        ]
    if "payload" in blocks:
        made.append(s * bins.payload / scales.payload)
    if "temperature" in blocks:
        t = (bins.temperature - scales.temperature) / scales.temperature_span
        made += [s * t, s * t * v, s * t * near_rest, s * t * t, s * t * t * v]
    if "angle" in blocks:
        q = np.deg2rad(bins.angle_first)
        made += [np.sin(q), np.cos(q), s * np.sin(q), s * np.cos(q)]
    if "posture" in blocks:
        made += posture.columns(bins.posture, scales.terms, scales.ends, bins.base_b)
    out = np.column_stack(made)
    np.nan_to_num(out, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
    return out


def resting_columns(bins: Bins, scales: Scales, blocks: tuple[str, ...]) -> Floats:
    """Return the design matrix for a released joint that stands still."""
    made: list[Floats] = [np.ones(len(bins))]
    if "load" in blocks:
        made.append(bins.load / scales.load)
    if "temperature" in blocks:
        made.append((bins.temperature - scales.temperature) / scales.temperature_span)
    if "angle" in blocks:
        q = np.deg2rad(bins.angle_first)
        made += [np.sin(q), np.cos(q)]
    if "posture" in blocks:
        made += posture.columns(bins.posture, scales.terms, scales.ends, bins.base_b)
    out = np.column_stack(made)
    np.nan_to_num(out, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
    return out


def bases_of(bins: Bins) -> tuple[int, ...]:
    """Return the base ends that at least `LEAST_OF_END` of the bins are of."""
    known = bins.base_b[np.isfinite(bins.base_b)]
    return tuple(end for end in (0, 1) if np.sum(known == end) >= LEAST_OF_END)


def _size(values: Floats, quantile: float) -> float:
    good = np.abs(values[np.isfinite(values)])
    return max(float(np.quantile(good, quantile)), 1e-9) if good.size else 1.0


def _varies(values: Floats) -> bool:
    good = values[np.isfinite(values)]
    return bool(good.size > 0.5 * values.size and good.size > 1 and np.ptp(good) > 1e-9)
