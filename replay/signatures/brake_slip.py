"""Brake slip: the joint leaves its place while its brake is engaged.

The angle's means of half a second, from a second after engagement on, are
laid beside each other before and after every instant of a held stretch; what is usual in
all of the unit's stretches (noise, a gear that settles, a load set down) is the norm.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from replay.signatures.kinds import Facts, Signature
from replay.signatures.marks import Mark, Measure, Seen, runs
from replay.signatures.track import Floats, Track

PIECE_S, SETTLE_S = 0.5, 1.0
"""Shorter than a slip that creeps, longer than the angle's noise; and how long a joint may still
relax after its brake engaged (common practice, no source)."""

LONGEST_PIECES = (1, 2, 4, 8, 16, 32)
"""A slip may take so many pieces: powers of two, structure rather than settings."""

RAMP = 0.05
"""A joint has left its place, or come to rest, within this share of the whole."""

CALM_ROWS, ONSET_SIGMAS = 5, 4.0
"""The onset is sought in means of so many rows, beyond so many of their noise."""

FEW_PIECES = 4
"""Standing for fewer pieces, a joint has not stood yet since its brake engaged."""

SIDE_PIECES = 6
"""Pieces before and after, whose means tell the place: three seconds of standing."""


def slips(track: Track) -> Seen:
    """Find held stretches in which the angle does not stay."""
    period = max(track.period_s, 1e-6)
    hole = np.diff(track.t_s, prepend=track.t_s[0]) > max(0.5, 5 * period)
    held = track.braked & np.isfinite(track.angle_deg) & ~hole
    first, last = runs(held)
    marks: list[Mark] = []
    rows = max(2, round(PIECE_S / period))
    for a, b in zip(first, last, strict=True):
        begin = int(a) + (round(SETTLE_S / period) if a > 0 else 0)
        count = (int(b) + 1 - begin) // rows
        if count < 4:
            continue
        means = track.angle_deg[begin : begin + count * rows].reshape(count, rows).mean(axis=1)
        size, low, high = displacement(means)
        row, stop = begin + low * rows, min(begin + high * rows, int(b))
        after = float(np.median(means[high : high + SIDE_PIECES] if high < count else means[-1:]))
        place, near = _left_from(track.angle_deg, int(a), begin, means[: low + 1], after)
        far = min(int(b), stop + SIDE_PIECES * rows)
        piece = track.angle_deg[near : far + 1]
        row, stop = span_of_motion(piece, row - near, stop - near, place, after)
        row, stop = near + row, near + stop
        piece = track.angle_deg[row : stop + 1]
        fastest = float(np.max(np.abs(np.diff(piece)))) if piece.size > 1 else 0.0
        detail = {
            "stayed_deg": float(means[-1] - means[0]),
            "moved_deg": abs(after - place),
            "from_s": float(track.t_s[a]),
            "to_s": float(track.t_s[b]),
            "at_once": fastest / max(size, 1e-12),
        }
        marks.append(
            Mark("slip", "held", float(track.t_s[row]), float(track.t_s[stop]), size, detail)
        )
    floor = max(0.15 * track.resolution_deg, 1e-9)
    return Seen(tuple(marks), {"held": (0.0, floor)} if marks else {})


def displacement(means: Floats) -> tuple[float, int, int]:
    """Return the largest lasting change of place: its size, and the pieces between which it ran.

    The mean of the pieces before is laid beside that of the pieces after, for changes
    of every length; the shortest length that shows nine tenths of the largest is taken, and
    both ramps with it.
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
    """Return a change of place from the last piece before it leaves to the first that stays."""
    before = float(np.median(means[max(0, low - SIDE_PIECES) : low]))
    after = float(np.median(means[high : high + SIDE_PIECES]))
    size = abs(after - before)
    left = np.flatnonzero(np.abs(means[:high] - before) <= RAMP * size)
    there = np.flatnonzero(np.abs(means[low:] - after) > RAMP * size)
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
    noise = 1.4826 * float(np.median(np.abs(steps - np.median(steps)))) / np.sqrt(2)
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


def sentence(facts: Facts) -> str:
    """Say how far it left its place."""
    mark = facts.proof("slip")
    if mark is None:
        return f"{facts.span} the joint moves with the brake engaged"
    moved = float(mark.detail.get("moved_deg", mark.raw))
    return f"with the brake engaged the angle leaves its place by {moved:.3f} deg {facts.span}"


AT_ONCE = 0.8
"""A place left by this share between two samples was left by no body."""


def claim(mark: Mark, beside: Sequence[Mark]) -> float:
    """Claim what leaves its place under the brake as a body can, over several samples."""
    del beside
    if mark.measure == "slip":
        return float(mark.detail["at_once"] < AT_ONCE)
    braked = mark.measure == "angle step" and mark.detail["braked"]
    return float(braked and mark.detail["at_once"] < AT_ONCE)


SIGNATURE = Signature(
    kind="brake-slip",
    shapes=(),
    measures=(Measure("slip", "deg", slips, pooled=True),),
    sentence=sentence,
    claim=claim,
    needs_mark=True,
)
