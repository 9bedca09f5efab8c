"""Brake slip: the joint leaves its place while its brake is engaged.

The angle's means of half a second, from a second after engagement on, are
compared over every held stretch; what is usual in the unit's sessions (noise,
resolution, a gear that settles) is the norm.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from replay.signatures.kinds import Facts, Signature
from replay.signatures.marks import Mark, Measure, Norm, Seen, best_per_minute, runs
from replay.signatures.track import Track

PIECE_S, SETTLE_S = 0.5, 1.0
"""Shorter than a slip that creeps, longer than the angle's noise; and how long a joint may still
relax after its brake engaged (common practice, no source)."""


def slips(track: Track) -> Seen:
    """Find held stretches in which the angle does not stay."""
    period = max(track.period_s, 1e-6)
    hole = np.diff(track.t_s, prepend=track.t_s[0]) > max(0.5, 5 * period)
    held = track.braked & np.isfinite(track.angle_deg) & ~hole
    first, last = runs(held)
    marks: list[Mark] = []
    sizes: list[float] = []
    rows = max(2, round(PIECE_S / period))
    for a, b in zip(first, last, strict=True):
        begin = int(a) + (round(SETTLE_S / period) if a > 0 else 0)
        count = (int(b) + 1 - begin) // rows
        if count < 3:
            continue
        piece = track.angle_deg[begin : begin + count * rows].reshape(count, rows)
        means = piece.mean(axis=1)
        low, high = np.minimum.accumulate(means), np.maximum.accumulate(means)
        up, down = means - low, high - means
        way = up if up.max() >= down.max() else down
        size = float(way.max())
        end = int(np.argmax(way))
        place = (low if way is up else high)[end]
        start = int(np.flatnonzero(np.abs(means[: end + 1] - place) <= 0.1 * size)[-1])
        sizes.append(size)
        row = begin + min(start + 1, end) * rows  # it left after the last piece in place
        stop = min(begin + (end + 1) * rows, int(b))
        fastest = float(np.max(np.abs(np.diff(track.angle_deg[row : stop + 1]))))
        detail = {
            "stayed_deg": float(means[-1] - means[0]),
            "from_s": float(track.t_s[a]),
            "to_s": float(track.t_s[b]),
            "at_once": fastest / max(size, 1e-12),
        }
        marks.append(
            Mark("slip", "held", float(track.t_s[row]), float(track.t_s[stop]), size, detail)
        )
    usual: dict[str, Norm] = {}
    if sizes:
        centre = float(np.median(sizes))
        floor = max(0.15 * track.resolution_deg, 1e-9)
        above = [s - centre for s in sizes if s > centre]
        scale = float(np.median(above) / 0.6745) if above else 0.0
        usual["held"] = (centre, max(scale, 0.15 * centre, floor))
    return Seen(best_per_minute(marks), usual)


def sentence(facts: Facts) -> str:
    """Say how far it left its place."""
    mark = facts.proof("slip")
    if mark is None:
        return f"{facts.span} the joint moves with the brake engaged"
    return f"with the brake engaged the angle leaves its place by {mark.raw:.3f} deg {facts.span}"


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
    measures=(Measure("slip", "deg", slips),),
    sentence=sentence,
    claim=claim,
    needs_mark=True,
)
