"""Parts of the invented joint: gear, bristles' wind-up, servo filters."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.signal import bilinear_zpk, lfilter, zpk2tf

from replay.demo import heron
from replay.demo.hardware import Rack

Array = NDArray[np.float64]


Mask = NDArray[np.bool_]


_AMPERE_PER_NM = 1.0 / (heron.GEAR_RATIO * heron.TORQUE_CONSTANT_NM_A)


def wind_up(log_keep: Array, push: Array) -> Array:
    """Solve ``f[k] = exp(log_keep[k]) * f[k-1] + push[k]`` from rest, in stretches.

    Within a stretch the product of the factors stays within what a double
    holds, so that a cumulative sum gives all of it at once.
    """
    total = np.cumsum(log_keep)
    edges = np.flatnonzero(np.diff((total / -500.0).astype(np.int64))) + 1
    out = np.empty_like(push)
    before, was = 0.0, 0.0
    for first, last in pairwise([0, *edges.tolist(), push.size]):
        kept = np.exp(total[first:last] - before)
        out[first:last] = kept * (was + np.cumsum(push[first:last] / kept))
        before, was = float(total[last - 1]), float(out[last - 1])
    return out


def ageing(rate: Array, angle: Array, rack: Rack, dt: float) -> Array:
    """Return extra breakaway after a rest; it is gone within a small angle."""
    out = np.zeros_like(rate)
    moving = np.abs(rate) > 1e-5
    for j in range(heron.JOINTS):
        edges = np.diff(moving[:, j].astype(np.int8))
        starts = np.flatnonzero(edges == 1) + 1
        stops = np.concatenate([[0], np.flatnonzero(edges == -1) + 1])
        for row in starts:
            rest = max((row - stops[stops <= row][-1]) * dt, dt)
            span = slice(row, min(row + int(4.0 / dt), rate.shape[0]))
            gone = np.abs(angle[span, j] - angle[row, j])
            grown = rack["ageing_a"][j] * max(np.log10(rest / 0.1), 0.0)
            out[span, j] = grown * np.exp(-gone / 0.05)
    return out


def ripple(rate: Array, angle: Array, rack: Rack) -> Array:
    """Return what the gear's teeth add to friction, A."""
    radians = np.radians(angle)
    out = np.zeros_like(rate)
    for k, order in enumerate(heron.RIPPLE_ORDERS):
        out += rack.ripple_a[:, k] * np.sin(order * radians + rack.ripple_phase[:, k])
    out += rack["cogging_a"] * np.sin(heron.GEAR_RATIO * radians)
    return out * np.tanh(np.abs(rate) / 0.02)


def passed_on(load: Array, rate: Array, rack: Rack) -> Array:
    """Return the current for a load, with what the mesh eats on the way."""
    direction = np.tanh(rate / 0.01)
    driving = load * direction > 0
    loss = np.where(driving, rack["mesh_loss_drive"], rack["mesh_loss_backdrive"])
    return np.asarray((load + loss * np.abs(load) * direction) * _AMPERE_PER_NM, dtype=np.float64)


def lost_motion(bristle: Array, load: Array, engaged: Mask, rack: Rack) -> Array:
    """Return how far the output lags the motor: play in the teeth, and wind-up.

    A closed brake keeps what there was when it closed.
    """
    side = np.clip(bristle / rack["coulomb_forward_a"], -1.0, 1.0)
    lag = side * rack["play_deg"] / 2.0 + np.degrees(load / rack["stiffness_nm_rad"])
    row = np.arange(lag.shape[0])[:, None]
    last_free = np.maximum.accumulate(np.where(engaged, 0, row), axis=0)
    return np.asarray(np.take_along_axis(lag, last_free, axis=0), dtype=np.float64)


def felt(passed_a: Array, rate: Array, rack: Rack) -> Array:
    """Return what of a load the servo feels: at rest dry friction carries part of it."""
    carried = 0.5 * rack["coulomb_forward_a"] * np.exp(-((rate / 0.005) ** 2))
    return np.asarray(
        np.sign(passed_a) * np.maximum(np.abs(passed_a) - carried, 0.15 * np.abs(passed_a)),
        dtype=np.float64,
    )


def motor_current(rate: Array, dt: float) -> Array:
    """Return the current that turns the motor's own rotor faster or slower, A."""
    accel = np.gradient(np.radians(rate), dt, axis=0)
    return np.asarray(
        accel * heron.MOTOR_INERTIA_KG_M2 * heron.GEAR_RATIO / heron.TORQUE_CONSTANT_NM_A,
        dtype=np.float64,
    )


def second_order(x: Array, hz: float, damping: float, dt: float) -> Array:
    """Return what a second-order system makes of ``x``, column by column."""
    w = 2 * np.pi * hz
    root = w * np.sqrt(max(1.0 - damping**2, 0.0))
    poles = [complex(-damping * w, root), complex(-damping * w, -root)]
    b, a = zpk2tf(*bilinear_zpk([], poles, w**2, 1.0 / dt))
    return np.asarray(lfilter(np.real(b), np.real(a), x, axis=0), dtype=np.float64)


def first_order(x: Array, lag_s: Array, dt: float) -> Array:
    """Return ``x`` behind a first-order lag of so many seconds a column."""
    out = np.empty_like(x)
    for j in range(x.shape[1]):
        keep = np.exp(-dt / lag_s[j])
        out[:, j] = lfilter([1.0 - keep], [1.0, -keep], x[:, j])
    return out


def shift(mask: Mask, rows: int) -> Mask:
    """Return a mask that turns true this many rows later, false at once."""
    late = np.zeros_like(mask)
    late[rows:] = mask[: mask.shape[0] - rows] if rows else mask
    late[:rows] = mask[:rows]
    return mask & late
