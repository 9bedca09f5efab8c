"""The filter and its derivatives on even samples; NaN spreads as far as it reaches."""

from __future__ import annotations

import numpy as np

from replay.models.residuals import Floats


def means(values: Floats, each: int) -> Floats:
    """Return the means of consecutive groups of ``each`` values."""
    out: Floats = values.reshape(-1, each).mean(axis=1) if each > 1 else values.astype(np.float64)
    return out


def integral(speed: Floats, step_s: float, each: int) -> Floats:
    """Return the mean of a rate's integral over each sub-block; NaN where it is not known."""
    known = np.isfinite(speed)
    total = np.cumsum(np.where(known, speed, 0.0)) * step_s
    total -= 0.5 * step_s * np.where(known, speed, 0.0)
    return means(np.where(known, total, np.nan), each)


def box(values: Floats, width: int) -> Floats:
    """Return the centred mean over ``width`` values, NaN where one of them is not known."""
    if width == 1:
        return values
    known = np.isfinite(values)
    sums = np.concatenate([[0.0], np.cumsum(np.where(known, values, 0.0))])
    half = width // 2
    out = np.full(len(values), np.nan)
    if len(values) >= width:
        out[half : len(values) - half] = (sums[width:] - sums[:-width]) / width
    if not known.all():
        gone = np.concatenate([[0], np.cumsum(~known)])
        bad = np.ones(len(values), dtype=bool)
        if len(values) >= width:
            bad[half : len(values) - half] = (gone[width:] - gone[:-width]) > 0
        out[bad] = np.nan
    return out


def thrice(values: Floats, width: int) -> Floats:
    """Return the box applied three times: the filter of every term."""
    offset = values[np.isfinite(values)][:1]
    base = float(offset[0]) if len(offset) else 0.0
    return box(box(box(values - base, width), width), width) + base


def lag(values: Floats, width: int, sub_s: float) -> Floats:
    """Return the mean rate over ``width`` sub-blocks, centred on a sub-block.

    The lag is odd and would fall between two: the mean of both neighbours is taken.
    """
    out = np.full(len(values), np.nan)
    if width == 1:
        if len(values) > 2:
            out[1:-1] = (values[2:] - values[:-2]) / (2 * sub_s)
        return out
    up, down = (width + 1) // 2, (width - 1) // 2
    if len(values) > 2 * up:
        middle = slice(up, len(values) - up)

        def at(shift: int) -> Floats:
            return values[up + shift : len(values) - up + shift]

        out[middle] = (at(up) - at(-down) + at(down) - at(-up)) / (2 * width * sub_s)
    return out


def second(box: Floats, width: int, sub_s: float) -> Floats:
    """Return the acceleration through the filter, from box means of the angle."""
    out = np.full(len(box), np.nan)
    if len(box) > 2 * width:
        out[width:-width] = (box[2 * width :] - 2 * box[width:-width] + box[: -2 * width]) / (
            width * sub_s
        ) ** 2
    return out
