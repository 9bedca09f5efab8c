"""Cut a joint's time into held, holding and moving, and moving into its stages.

held
    the brake is engaged, from the very sample that says so to the last.
holding
    released (or not known to be engaged) and still.
moving
    the rate left the still band; it ends only below half of the band
    (hysteresis), so that noise at the edge makes no segments.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay.statistics.noise import Array, Flags, resolution, subsampled

STILL_SIGMAS = 6.0
STILL_SHARE = 0.004
"""Still is below 6 standard deviations of the rate's noise, and at least this
share of the joint's usual top rate."""
REST_CONTRAST = 15.0
"""Rates crowd about 0 this much more densely at rest than three to nine times as far out."""
REST_ROWS = 20
STEADY_SIGMAS = 4.0
STEADY_SHARE = 0.1

MOTIONS = ("held", "holding", "moving")
STAGES = ("speeding", "steady", "slowing")


@dataclass(frozen=True, slots=True)
class Segmentation:
    """Row by row: codes into `MOTIONS` and `STAGES` (-1: none), and numbers."""

    motion: NDArray[np.int8]
    stage: NDArray[np.int8]
    direction: NDArray[np.int8]
    segment: NDArray[np.int32]
    still_deg_s: float


def cut(
    rate_deg_s: Array,
    accel_deg_s2: Array,
    engaged: NDArray[np.int8],
    starts: Flags,
    *,
    rate_noise_deg_s: float,
    accel_noise_deg_s2: float,
) -> Segmentation:
    """Cut one joint's rows.

    Parameters
    ----------
    rate_deg_s, accel_deg_s2 : (n,)
        NaN counts as still.
    engaged : (n,) int8
        1 engaged, 0 released, -1 unknown.
    starts : (n,) bool
        True after a gap: a segment never reaches over it.
    rate_noise_deg_s, accel_noise_deg_s2 : float
        Standard deviations of the noise in the two.
    """
    n = len(rate_deg_s)
    rate = np.nan_to_num(rate_deg_s)
    still = still_band(rate, rate_noise_deg_s)
    moving = _hysteresis(np.abs(rate), still, still / 2, starts)
    direction = np.where(moving, np.sign(rate), 0).astype(np.int8)
    held = engaged == 1
    motion = np.where(held, 0, np.where(moving, 2, 1)).astype(np.int8)

    accel = np.nan_to_num(accel_deg_s2) * direction
    moved = motion == 2
    top_accel = float(np.quantile(np.abs(subsampled(accel[moved])), 0.95)) if moved.any() else 0.0
    band = max(STEADY_SIGMAS * accel_noise_deg_s2, STEADY_SHARE * top_accel, 1e-9)
    speeding = _hysteresis(accel, band, band / 2, starts)
    slowing = _hysteresis(-accel, band, band / 2, starts)
    stage = np.where(speeding, 0, np.where(slowing, 2, 1)).astype(np.int8)
    stage = np.where(moved, stage, -1).astype(np.int8)

    new = starts.copy()
    if n:
        new[0] = True
        new[1:] |= (np.diff(motion) != 0) | (np.diff(stage) != 0)
        new[1:] |= moved[1:] & moved[:-1] & (np.diff(direction) != 0)
    return Segmentation(motion, stage, direction, (np.cumsum(new) - 1).astype(np.int32), still)


def still_band(rate_deg_s: Array, rate_noise_deg_s: float) -> float:
    """Return the rate above which a joint counts as moving.

    Six standard deviations of the noise at rest. Sampled too slowly, motion
    looks like noise; then the noise is no larger than the quieter quarter of
    the rates says (a quarter of normal noise is within 0.319 deviations;
    exact zeros, which some drives report at rest, are left out). A joint that
    hardly rests has no quiet quarter either; then the crowd about 0 tells
    (`_crowd_at_rest`), where it is much narrower than both. At least
    `STILL_SHARE` of the joint's usual top rate.
    """
    some = subsampled(rate_deg_s)
    size = np.abs(some[np.isfinite(some)])
    top = float(np.quantile(size, 0.98)) if len(size) else 0.0
    noise = rate_noise_deg_s
    told = size[size > 0]
    if len(told) >= 20:
        quiet = float(np.quantile(told, 0.25)) / 0.319
        finest = 1.2 * resolution(some[np.isfinite(some)])
        noise = min(noise, max(quiet, finest))
        crowd = _crowd_at_rest(told, top)
        if crowd is not None and 3 * crowd < noise:
            noise = max(crowd, finest)
    return max(STILL_SIGMAS * noise, STILL_SHARE * top, 1e-9)


def _crowd_at_rest(size: Array, top: float) -> float | None:
    """Return the standard deviation of the rates at rest, if a crowd about 0 stands out.

    The narrowest band is sought in which rates lie `REST_CONTRAST` times as
    densely as between three and nine times its width. For normal noise the
    two densities differ so much at half a standard deviation (0.766 against
    0.0445 of the rows at rest per deviation), whatever the motion is, if its
    rates are spread wide.
    """
    kept = np.sort(size[size > 1e-6 * top])  # less is rounding, as good as an exact zero
    if len(kept) < REST_ROWS or top <= 0:
        return None
    lowest = STILL_SHARE * top / (2 * STILL_SIGMAS)  # below this the share of the top rate rules
    width = lowest * 2.0 ** (np.arange(0, 4 * np.log2(top / 3 / lowest)) / 4)
    inside, near, far = (np.searchsorted(kept, k * width) for k in (1.0, 3.0, 9.0))
    found = (inside >= REST_ROWS) & (6.0 * inside >= REST_CONTRAST * (far - near))
    return 2.0 * float(width[np.argmax(found)]) if found.any() else None


def _hysteresis(size: Array, enter: float, leave: float, starts: Flags) -> Flags:
    """Return True from a sample above ``enter`` until one below ``leave``."""
    moves = np.where(size > enter, 1, np.where(size < leave, 0, -1))
    moves = np.where(starts & (moves < 0), 0, moves)
    index = np.where(moves >= 0, np.arange(len(size)), 0)
    last = np.maximum.accumulate(index) if len(size) else index
    return np.asarray(moves[last] == 1)
