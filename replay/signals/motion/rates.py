"""Rates and accelerations from samples: local polynomials on irregular time.

A least-squares polynomial of degree 2 over a window around each sample gives
value, slope and curvature there (Savitzky & Golay, Analytical Chemistry 36,
1964; on even time the weights are theirs). A window never reaches over a
*break*: a gap, a jump of the encoder, a brake's change of state. At a break
the last whole window is used off its centre, with the larger error that this
has. The standard errors say what encoder noise does to the slope; they know
nothing of motion too quick for the window.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay.statistics.noise import Array, Flags, subsampled
from replay.statistics.window_sums import Parabola, flat, window_moments

MAX_SPAN_S = 0.5
"""No window for a rate spans more than this, unless 3 samples do."""
MAX_ACCEL_SPAN_S = 1.0
RATE_SHARE = 0.01
"""The window grows until the rate's error is this share of the joint's usual top rate."""
ACCEL_SHARE = 0.03
_CHUNK = 8192


@dataclass(frozen=True, slots=True)
class LocalFit:
    """What the local polynomials say, one value a sample (rows: series).

    ``rate_gain`` and ``accel_gain`` are the error of slope and curvature for
    a noise of 1 in the samples; NaN where a block is too short to tell.
    """

    value: Array
    rate: Array
    accel: Array
    rate_gain: Array
    accel_gain: Array


def window_for_rate(t_s: Array, y: Array, noise: float) -> int:
    """Return the odd window (samples) that brings the slope's error down enough.

    On even time the error of the slope is ``noise / step * sqrt(12 / w^3)``.
    """
    step = _median_step(t_s)
    if step <= 0 or len(t_s) < 5:
        return 3
    lag = max(1, round(0.5 / step))
    coarse = np.abs(y[lag:] - y[:-lag]) / np.maximum(t_s[lag:] - t_s[:-lag], 1e-12)
    top = float(np.quantile(subsampled(coarse), 0.98)) if len(coarse) else 0.0
    if top <= 0:
        return _odd(MAX_SPAN_S / step, 3, 101)
    wanted = (12 * (noise / (step * RATE_SHARE * top)) ** 2) ** (1 / 3)
    return _odd(min(wanted, MAX_SPAN_S / step), 3, 101)


def window_for_accel(t_s: Array, y: Array, noise: float, order: int) -> int:
    """Return the odd window for accelerations, from angles (order 2) or rates (order 1)."""
    step = _median_step(t_s)
    if step <= 0 or len(t_s) < 7:
        return 3 if order == 1 else 5
    lag = max(1, round(0.5 / step))
    if order == 1:
        coarse = (y[lag:] - y[:-lag]) / (lag * step)
    else:
        coarse = (y[2 * lag :] - 2 * y[lag:-lag] + y[: -2 * lag]) / (lag * step) ** 2
    top = float(np.quantile(np.abs(subsampled(coarse)), 0.98)) if len(coarse) else 0.0
    least = 3 if order == 1 else 5
    if top <= 0:
        return _odd(MAX_ACCEL_SPAN_S / step, least, 201)
    if order == 1:
        wanted = (12 * (noise / (step * ACCEL_SHARE * top)) ** 2) ** (1 / 3)
    else:
        wanted = (720 * (noise / (step**2 * ACCEL_SHARE * top)) ** 2) ** (1 / 5)
    return _odd(min(wanted, MAX_ACCEL_SPAN_S / step), least, 201)


def local_fits(t_s: Array, y: Array, starts: Flags, window: int) -> LocalFit:
    """Fit a parabola around every sample of one or more series.

    Parameters
    ----------
    t_s : (n,) seconds, strictly rising
    y : (n,) or (k, n)
    starts : bool, same shape as ``y``
        True where a new block begins; no window reaches over it.
    window : int
        Samples in a window, odd, at least 3.

    Returns
    -------
    LocalFit
        Arrays of the shape of ``y``.
    """
    if window < 3 or window % 2 == 0:
        raise ValueError("window must be odd and at least 3")
    series = np.atleast_2d(np.asarray(y, dtype=float))
    breaks = np.atleast_2d(starts)
    n = series.shape[1]
    out = {name: np.full(series.shape, np.nan) for name in LocalFit.__slots__}
    if n == 0:
        return LocalFit(**{name: a.reshape(np.shape(y)) for name, a in out.items()})
    whole = _fill_whole_windows(t_s, series, window, out)
    for row in range(series.shape[0]):
        low, high = _window_bounds(breaks[row], window)
        index = np.arange(n)
        odd_ones = np.flatnonzero(
            ~whole | (low != index - window // 2) | (high - low != window - 1)
        )
        _fill_one_by_one(t_s, series[row], low, high, odd_ones, window, out, row)
    return LocalFit(**{name: a.reshape(np.shape(y)) for name, a in out.items()})


def _fill_whole_windows(t_s: Array, y: Array, window: int, out: dict[str, Array]) -> Flags:
    """Fill every sample with a full centred window, breaks or not; say which those are."""
    n, half = len(t_s), window // 2
    whole = np.zeros(n, dtype=bool)
    if n < window:
        return whole
    whole[half : n - half] = True
    scale_s = half * float(np.median(subsampled(np.diff(t_s))))
    for first in range(0, n - window + 1, _CHUNK):
        part = slice(first, min(first + _CHUNK, n - window + 1) + window - 1)
        at = slice(part.start + half, part.stop - half)
        of_time, of_series = window_moments(t_s[part] / scale_s, y[:, part], window)
        normal = Parabola(*of_time)
        inverse = 1.0 / normal.det
        b0, b1, b2 = of_series
        out["value"][:, at] = (normal.a00 * b0 + normal.a01 * b1 + normal.a02 * b2) * inverse
        slope = (normal.a01 * b0 + normal.a11 * b1 + normal.a12 * b2) * inverse
        curve = (normal.a02 * b0 + normal.a12 * b1 + normal.a22 * b2) * inverse
        out["rate"][:, at] = slope / scale_s
        out["accel"][:, at] = 2 * curve / scale_s**2
        out["rate_gain"][:, at] = np.sqrt(normal.a11 * inverse) / scale_s
        out["accel_gain"][:, at] = 2 * np.sqrt(normal.a22 * inverse) / scale_s**2
        for name in ("rate", "accel"):
            out[name][:, at][flat(y[:, part], window)] = 0.0
    return whole


def _fill_one_by_one(
    t_s: Array,
    y: Array,
    low: NDArray[np.int64],
    high: NDArray[np.int64],
    which: NDArray[np.int64],
    window: int,
    out: dict[str, Array],
    row: int,
) -> None:
    """Fill samples near breaks from the windows given, off centre or short."""
    usual = _median_step(t_s) or 1.0
    for first in range(0, len(which), _CHUNK):
        at = which[first : first + _CHUNK]
        index = low[at, None] + np.arange(window)[None, :]
        there = index <= high[at, None]
        index = np.minimum(index, high[at, None])
        kernel, gains = _weights(t_s[index] - t_s[at, None], window // 2 * usual, there)
        part = y[index]
        for k, name in enumerate(("value", "rate", "accel")):
            out[name][row, at] = np.einsum("kw,kw->k", kernel[k], part)
        out["rate_gain"][row, at] = gains[0]
        out["accel_gain"][row, at] = gains[1]


def _weights(
    offset_s: NDArray[Any], scale_s: float, there: Flags | None = None
) -> tuple[Array, Array]:
    """Return weights (3, k, w) for value, slope, curvature, and gains (2, k).

    Normal equations of a parabola in scaled time, solved in closed form. With
    two points a line is drawn, with one only the value is known.
    """
    u = offset_s / scale_s
    mask = np.ones_like(u) if there is None else there.astype(float)
    count = mask.sum(axis=1)
    u1 = u * mask
    u2 = u1 * u
    s0, s1, s2 = count, u1.sum(1), u2.sum(1)
    s3, s4 = np.einsum("kw,kw->k", u2, u), np.einsum("kw,kw->k", u2, u * u)
    normal = Parabola(s0, s1, s2, s3, s4)
    a00, a01, a02 = normal.a00, normal.a01, normal.a02
    a11, a12, a22, det = normal.a11, normal.a12, normal.a22, normal.det
    with np.errstate(divide="ignore", invalid="ignore"):
        inv = 1.0 / np.where(count >= 3, det, np.nan)
        value = (a00 * inv)[:, None] * mask + (a01 * inv)[:, None] * u1 + (a02 * inv)[:, None] * u2
        slope = (a01 * inv)[:, None] * mask + (a11 * inv)[:, None] * u1 + (a12 * inv)[:, None] * u2
        curve = (a02 * inv)[:, None] * mask + (a12 * inv)[:, None] * u1 + (a22 * inv)[:, None] * u2
        gain1, gain2 = np.sqrt(a11 * inv), np.sqrt(a22 * inv)
        pair = count == 2
        if pair.any():
            d2 = (s0 * s2 - s1 * s1)[:, None]
            line = (s0[:, None] * u1 - s1[:, None] * mask) / d2
            level = (s2[:, None] * mask - s1[:, None] * u1) / d2
            slope = np.where(pair[:, None], line, slope)
            value = np.where(pair[:, None], level, value)
            gain1 = np.where(pair, np.sqrt(s0 / d2[:, 0]), gain1)
        value = np.where((count == 1)[:, None], mask, value)
    kernel = np.stack([value, slope / scale_s, 2 * curve / scale_s**2])
    return kernel, np.stack([gain1 / scale_s, 2 * gain2 / scale_s**2])


def _window_bounds(starts: Flags, window: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the first and last sample of each sample's window inside its block."""
    n = len(starts)
    index = np.arange(n)
    first = np.maximum.accumulate(np.where(starts, index, 0))
    ends = np.append(starts[1:], True)
    last = np.minimum.accumulate(np.where(ends, index, n - 1)[::-1])[::-1]
    low = np.clip(index - window // 2, first, np.maximum(first, last - window + 1))
    return low, np.minimum(low + window - 1, last)


def _median_step(t_s: Array) -> float:
    return float(np.median(subsampled(np.diff(t_s)))) if len(t_s) > 1 else 0.0


def _odd(value: float, least: int, most: int) -> int:
    number = 2 * int(np.ceil((value - 1) / 2)) + 1
    return int(min(max(number, least), most))
