"""Unusual: the current is rougher than it was, or departs in a way that no kind claims."""

from __future__ import annotations

import numpy as np

from replay.signatures.kinds import Facts, Signature
from replay.signatures.marks import Mark, Measure, Norm, Seen, best_per_minute
from replay.signatures.track import Floats, Track
from replay.statistics.spread import NORMAL_QUARTILE

WINDOW_S = 2.0


def roughness(track: Track) -> Seen:
    """Find windows in which the current is rougher from sample to sample than usual.

    The raw size is ln of the mean square of second differences, winsorised,
    so that single spikes (which are the sensor's) count little.
    """
    current = track.current_a
    if current.size < 10:
        return Seen((), {})
    bend = current[2:] - 2 * current[1:-1] + current[:-2]
    asked = track.motion_due[1:-1]
    marks: list[Mark] = []
    usual: dict[str, Norm] = {}
    rows = max(4, round(WINDOW_S / max(track.period_s, 1e-6)))
    for cell, mine in (("moving", asked),):
        at = np.flatnonzero(mine & np.isfinite(bend))
        if at.size < 2 * rows:
            continue
        size = np.abs(bend[at])
        top = 6 * float(np.median(size)) / NORMAL_QUARTILE
        power = np.minimum(size, max(top, 1e-9)) ** 2
        count = power.size // (rows // 2)
        half = power[: count * (rows // 2)].reshape(count, -1).mean(axis=1)
        level = np.log(np.maximum(0.5 * (half[1:] + half[:-1]), 1e-12))
        begin = track.t_s[at[: count * (rows // 2) : rows // 2][:-1]]
        centre = float(np.median(level))
        usual[cell] = (centre, _upper_spread(level - centre))
        told = np.zeros(level.size, dtype=bool)
        for k in np.argsort(-level)[:200]:
            if told[k]:
                continue
            first, stop = _lasting(level, int(k))
            told[first:stop] = True
            start, end = float(begin[first]), float(begin[stop - 1]) + WINDOW_S
            detail = {"times": float(np.exp(0.5 * (level[k] - centre)))}
            marks.append(Mark("rough", cell, start, end, float(level[k]), detail))
    return Seen(best_per_minute(marks), usual)


def _lasting(level: Floats, k: int) -> tuple[int, int]:
    """Return the windows about one that are at least half as rough, rests between them or not."""
    calm = level < level[k] - 2 * np.log(2.0)
    before, after = np.flatnonzero(calm[:k]), np.flatnonzero(calm[k:])
    first = int(before[-1]) + 1 if before.size else 0
    return first, k + int(after[0]) if after.size else level.size


def _upper_spread(values: Floats) -> float:
    upper = values[values > 0]
    return float(np.median(upper) / NORMAL_QUARTILE) if upper.size else float("nan")


def sentence(facts: Facts) -> str:
    """Say the largest departure, or the roughness."""
    peak = facts.ampere.get("peak", np.nan)
    text = (
        f"the current departs by up to {abs(peak):.2f} A from the expected"
        if np.isfinite(peak)
        else "the joint behaves as it did not before"
    )
    mark = facts.proof("rough")
    if mark is not None:
        text = f"the current is rougher than usual ({mark.value:.0f} spreads); {text}"
    return f"{facts.span} {text}; no known kind fits"


SIGNATURE = Signature(
    kind="unusual",
    shapes=(),
    measures=(Measure("rough", "ln A²", roughness, proof=False, pooled=True),),
    sentence=sentence,
    needs_mark=True,
)
