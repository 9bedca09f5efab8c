"""How far and when a joint left its place while its brake was engaged.

The angle's means of half a second, from a second after engagement on, are laid beside each
other before and after every instant of a held stretch: the largest change of place that
lasts for some pieces is measured, whether it stays to the stretch's end or comes back. What
flags judge is this; `replay.signals.brakes.slips` says of each stretch what stayed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from replay.statistics.runs import runs
from replay.statistics.spread import MAD_TO_SD_TABLE, spread

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

PIECE_S, SETTLE_S = 0.5, 1.0
"""Shorter than a slip that creeps, longer than the angle's noise; and how long a joint may still
relax after its brake engaged (common practice, no source)."""

LONGEST_PIECES = (1, 2, 4, 8, 16, 32)
"""A slip may take so many pieces: powers of two, structure rather than settings."""

FEWEST_PIECES = 4
"""A stretch of fewer pieces has no before and after."""

RAMP = 0.05
"""A joint has left its place, or come to rest, within this share of the whole."""

BACK = 0.5
"""What has gone back by this share has returned: its way back is no part of the way there."""

CALM_ROWS, ONSET_SIGMAS = 5, 4.0
"""The onset is sought in means of so many rows, beyond so many of their noise."""

FEW_PIECES = 4
"""Standing for fewer pieces, a joint has not stood yet since its brake engaged."""

SIDE_PIECES = 6
"""Pieces before and after, whose means tell the place: three seconds of standing."""


@dataclass(frozen=True, slots=True)
class Displacement:
    """The largest lasting change of place in one held stretch; rows count from the table's first.

    ``first_row`` and ``last_row`` are the stretch's, ``begin_row`` and ``end_row`` the motion's:
    last in the old place, first in the new.
    """

    first_row: int
    last_row: int
    begin_row: int
    end_row: int
    size_deg: float
    """From the means of the pieces on both sides; never negative."""
    se_deg: float
    """Its standard error, from what neighbouring pieces differ by."""
    moved_deg: float
    """From where the joint stood, settled or just engaged, to where it stands; signed."""
    stayed_deg: float
    """What is left of it at the stretch's end, signed: all of it unless more than `RAMP` went."""
    largest_step_deg: float
    """The largest way between two samples of the motion: a body takes several."""


def displacements(
    t_s: Floats, angle_deg: Floats, engaged: Flags, period_s: float
) -> tuple[Displacement, ...]:
    """Measure each stretch in which the brake is engaged and the angle known.

    Parameters
    ----------
    t_s, angle_deg : (n,)
        Instants, s, and unwrapped angles, deg, NaN where not known.
    engaged : (n,) of bool
    period_s : float
        Usual time between rows, s.

    Returns
    -------
    tuple of Displacement
        One for each stretch of at least `FEWEST_PIECES` pieces after `SETTLE_S`.
    """
    period = max(period_s, 1e-6)
    hole = np.diff(t_s, prepend=t_s[:1]) > max(0.5, 5 * period)
    rows = max(2, round(PIECE_S / period))
    found = []
    for first, past in runs(engaged & np.isfinite(angle_deg) & ~hole):
        last = past - 1
        begin = first + (round(SETTLE_S / period) if first > 0 else 0)
        count = (past - begin) // rows
        if count >= FEWEST_PIECES:
            found.append(_measured(angle_deg, first, last, begin, count, rows))
    return tuple(found)


def _measured(
    angle_deg: Floats, first: int, last: int, begin: int, count: int, rows: int
) -> Displacement:
    """Measure one stretch of ``count`` pieces of ``rows`` rows from row ``begin`` on."""
    means = angle_deg[begin : begin + count * rows].reshape(count, rows).mean(axis=1)
    size, low, high = largest_change(means)
    row, stop = begin + low * rows, min(begin + high * rows, last)
    after = float(np.median(means[high : high + SIDE_PIECES] if high < count else means[-1:]))
    place, near = _left_from(angle_deg, first, begin, means[: low + 1], after)
    far = min(last, stop + SIDE_PIECES * rows)
    row, stop = span_of_motion(angle_deg[near : far + 1], row - near, stop - near, place, after)
    row, stop = near + row, near + stop
    steps = np.abs(np.diff(angle_deg[row : stop + 1]))
    last_place = float(
        np.median(means[max(high, count - SIDE_PIECES) :] if high < count else after)
    )
    gone = last_place - after
    sides = 1 / max(min(low, SIDE_PIECES), 1) + 1 / max(min(count - high, SIDE_PIECES), 1)
    return Displacement(
        first_row=first,
        last_row=last,
        begin_row=row,
        end_row=stop,
        size_deg=size,
        se_deg=float(spread(np.diff(means)) / np.sqrt(2) * np.sqrt(sides)),
        moved_deg=after - place,
        stayed_deg=after - place + (gone if abs(gone) > RAMP * abs(after - place) else 0.0),
        largest_step_deg=float(np.max(steps)) if steps.size else 0.0,
    )


def largest_change(means: Floats) -> tuple[float, int, int]:
    """Return the largest lasting change of place: its size, and the pieces between which it ran.

    The mean of the pieces before is laid beside that of the pieces after, for changes
    of every length; the shortest length that shows nine tenths of the largest is taken, and
    both ramps with it.

    Parameters
    ----------
    means : (k,)
        Mean angle of each piece, deg.
    """
    sums = np.concatenate([[0.0], np.cumsum(means)])
    found: list[tuple[float, int, int]] = []
    for length in LONGEST_PIECES:
        at = np.arange(2, means.size - length - 1)
        if not at.size:
            break
        low, high = (
            np.maximum(at - SIDE_PIECES, 0),
            np.minimum(at + length + SIDE_PIECES, means.size),
        )
        before = (sums[at] - sums[low]) / (at - low)
        after = (sums[high] - sums[at + length]) / (high - at - length)
        k = int(np.argmax(np.abs(after - before)))
        found.append((float(abs(after[k] - before[k])), int(at[k]), int(at[k]) + length))
    if not found:
        return float(abs(means[-1] - means[0])), 0, means.size
    most = max(size for size, _, _ in found)
    _, leaves, stays = next(f for f in found if f[0] >= 0.9 * most)
    return _with_ramps(means, leaves, stays)


def _with_ramps(means: Floats, low: int, high: int) -> tuple[float, int, int]:
    """Return a change of place from the last piece before it leaves to the first that stays.

    A joint that goes back later has been there; the way back is left out.
    """
    before = float(np.median(means[max(0, low - SIDE_PIECES) : low]))
    after = float(np.median(means[high : high + SIDE_PIECES]))
    size = abs(after - before)
    left = np.flatnonzero(np.abs(means[:high] - before) <= RAMP * size)
    back = np.flatnonzero((after - means[high:]) * np.sign(after - before) > BACK * size)
    until = high + int(back[0]) if back.size else means.size
    there = np.flatnonzero(np.abs(means[low:until] - after) > RAMP * size)
    first = int(left[-1]) + 1 if left.size else low
    last = low + int(there[-1]) + 1 if there.size else high
    return size, min(first, low), max(min(last, means.size), high)


def _left_from(
    angle_deg: Floats, engaged: int, begin: int, means: Floats, after_deg: float
) -> tuple[float, int]:
    """Return where the joint stood before a slip, deg, and from which row on that is so.

    ``means`` are the pieces up to the slip. A joint that had not stood for long slipped from
    where its brake engaged, unless it settled the other way first.
    """
    stood = float(
        np.median(means[max(0, means.size - 1 - SIDE_PIECES) : -1] if means.size > 1 else means)
    )
    held = float(np.mean(angle_deg[engaged : engaged + CALM_ROWS]))
    back = (held - means[0]) * np.sign(after_deg - held) > RAMP * abs(after_deg - held)
    if begin > engaged and means.size <= FEW_PIECES and not back:
        return held, engaged
    return stood, begin


def span_of_motion(
    angle_deg: Floats, first: int, last: int, place_deg: float, after_deg: float
) -> tuple[int, int]:
    """Return the rows in which a motion begins and ends: last in the old place, first in the new.

    Parameters
    ----------
    angle_deg : (n,)
        From the engagement, or the end of settling, to where the joint stands again.
    first, last : int
        Rows that hold most of the motion; it begins at ``first`` or before, ends at ``last``
        or after.
    place_deg, after_deg : float
        Where the joint stood, and where it stands afterwards.
    """
    if angle_deg.size < CALM_ROWS or after_deg == place_deg:
        return first, last
    steps = np.diff(angle_deg)
    noise = MAD_TO_SD_TABLE * float(np.median(np.abs(steps - np.median(steps)))) / np.sqrt(2)
    calm = np.convolve(
        np.pad(angle_deg, CALM_ROWS // 2, mode="edge"), np.ones(CALM_ROWS) / CALM_ROWS, "valid"
    )
    toward = np.sign(after_deg - place_deg)
    beyond = ONSET_SIGMAS * noise / np.sqrt(CALM_ROWS)
    still = np.flatnonzero((calm[: first + 1] - place_deg) * toward <= beyond)
    there = np.flatnonzero((after_deg - calm[last:]) * toward <= beyond)
    begin = int(still[-1]) if still.size else 0
    end = last + int(there[0]) if there.size else last
    return begin, end
