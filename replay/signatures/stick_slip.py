"""Stick-slip: slow motion that stops and runs on by itself (Armstrong-Hélouvry et al. 1994).

The measured rate swings about the commanded one within two seconds, more than
this joint does at such a speed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from replay.models.residuals import JointResiduals
from replay.signatures.kinds import Facts, Shape, Signature
from replay.signatures.marks import Mark, Measure, Norm, Seen, best_per_minute
from replay.signatures.motion.limit_cycle import cycles
from replay.signatures.stall import SHORT, lacking
from replay.signatures.track import Floats, Track
from replay.statistics.spread import NORMAL_QUARTILE

WINDOW_S, PIECE_S = 3.0, 0.2
LOW, HIGH = 0.6, 1.4
"""A speed that swings leaves a tenth of its time below and above these shares of the command;
one jump of an angle does not."""

CRAWLS, RUNS = 0.3, 0.8
"""A joint sticks below, and runs above, these shares of its mean speed: what sticking means."""


def swings(track: Track) -> Seen:
    """Find windows in which the speed swings, in cells by the speed that was due."""
    rows = max(1, round(PIECE_S / max(track.period_s, 1e-6)))
    whole = rows * ((track.t_s.size - 1) // rows)
    if whole < 40 * rows:
        return Seen((), {})
    edge = np.arange(0, whole + 1, rows)
    t = track.t_s[edge]
    width = np.diff(t)
    rate = np.diff(track.angle_deg[edge]) / width
    due = np.add.reduceat(track.reference_deg_s[:whole], edge[:-1]) / rows
    free = np.maximum.reduceat(track.braked[:whole].astype(np.int8), edge[:-1]) == 0
    many = max(5, round(WINDOW_S / (rows * max(track.period_s, 1e-6))))
    if rate.size < 3 * many:
        return Seen((), {})
    off = np.where(np.isfinite(rate), rate - due, 0.0)
    ok = free & np.isfinite(rate) & (np.abs(due) > 0.02 * track.top_deg_s)
    ok &= width < 2 * rows * track.period_s
    good = np.convolve(ok, np.ones(many), "valid") == many
    swing = _windowed(off, many)
    speed = np.convolve(np.abs(due), np.ones(many) / many, "valid")
    level = np.log(np.maximum(swing, 1e-12))
    size = np.clip(np.floor(np.log2(np.maximum(speed / max(track.top_deg_s, 1e-9), 2e-3))), -6, 1)
    marks: list[Mark] = []
    usual: dict[str, Norm] = {}
    for number in np.unique(size[good]).astype(int):
        mine = np.flatnonzero(good & (size == number))
        centre = float(np.median(level[mine]))
        upper = level[mine][level[mine] > centre] - centre
        cell = f"speed {number}"
        if mine.size >= 20 and upper.size:
            usual[cell] = (centre, max(float(np.median(upper) / NORMAL_QUARTILE), 0.1))
        top = mine[np.argsort(-level[mine])[:60]]
        for k in top:
            mark = Mark(
                "swing", cell, float(t[k]), float(t[k + many]), float(level[k]), {"row": int(k)}
            )
            marks.append(mark)
    kept = best_per_minute(marks)
    at = np.array([m.detail["row"] for m in kept], dtype=int)
    details = _details(rate, off, at, many, np.sqrt(swing[at]), speed[at])
    return Seen(tuple(replace(m, detail=d) for m, d in zip(kept, details, strict=True)), usual)


def _details(
    rate: Floats, off: Floats, at: np.ndarray, many: int, rms: Floats, speed: Floats
) -> list[dict[str, float]]:
    """Return what is told of the windows that begin at some rows."""
    if not at.size:
        return []
    piece = np.abs(sliding_window_view(rate, many)[at])
    sides = np.sign(sliding_window_view(off, many)[at])
    low, high = np.quantile(piece, [0.1, 0.9], axis=1) / np.maximum(speed, 1e-9)
    return [
        {
            "stops": stops(piece[k]),
            "swings": int(np.sum(np.diff(sides[k]) != 0)),
            "low": float(low[k]),
            "high": float(high[k]),
            "rms_deg_s": float(rms[k]),
            "speed_deg_s": float(speed[k]),
        }
        for k in range(at.size)
    ]


def _windowed(values: Floats, many: int) -> Floats:
    """Return the mean square about a straight line, window by window."""
    ones = np.ones(many)
    x = np.arange(many) - (many - 1) / 2
    mean = np.convolve(values, ones / many, "valid")
    square = np.convolve(values**2, ones / many, "valid")
    slope = np.convolve(values, x[::-1] / float(x @ x), "valid")
    return np.maximum(square - mean**2 - slope**2 * float(x @ x) / many, 0.0)


def stops(speed: Floats) -> int:
    """Count how often a speed falls to a crawl after it ran."""
    usual = float(np.mean(speed))
    state = np.where(speed > RUNS * usual, 1, np.where(speed < CRAWLS * usual, -1, 0))
    state = state[state != 0]
    return int(np.sum((state[1:] == -1) & (state[:-1] == 1)))


def sentence(facts: Facts) -> str:
    """Say how often it stops, or how far the speed swings."""
    mark, cycle = facts.proof("swing"), facts.proof("cycle")
    if cycle is not None and (mark is None or not repeats(mark)):
        d = cycle.detail
        return (
            f"{facts.span} speed and current swing together {d['frequency_hz']:.1f} times a "
            f"second, by ±{d['share']:.0%} of {d['speed_deg_s']:.2f} deg/s and ±"
            f"{d['swing_a']:.2f} A, about a steady command: it sticks and slips, or its drive hunts"
        )
    if mark is None:
        return f"{facts.span} the current swings {facts.size:.1f} times as far as usual: it judders"
    d = mark.detail
    at_speed = f" at {d['speed_deg_s']:.2f} deg/s"
    if d["stops"] >= 2:
        return f"{facts.span} the joint stops and runs on {d['stops']} times within 3 s{at_speed}"
    return (
        f"{facts.span} the speed swings between {d['low']:.0%} and {d['high']:.0%} of the "
        f"commanded one{at_speed}"
    )


def judder(joint: JointResiduals) -> Mapping[str, Floats]:
    """Return where the current swings: while the joint slides one way.

    Where it turns, friction changes its sign, and more of it is no swing.
    """
    way = np.where(joint.plant.ok, np.sign(np.nan_to_num(joint.rate_deg_s)), 0.0)
    width = 2 * max(1, round(WINDOW_S / 2 / joint.step_s)) + 1
    both = (minimum_filter1d(way, width) < 0) & (maximum_filter1d(way, width) > 0)
    return {"plant": np.where(both, 0.0, 1.0)}


def repeats(mark: Mark) -> bool:
    """Tell whether a swing goes back and forth, and is no single stop."""
    d = mark.detail
    about = d["low"] < LOW and d["high"] > HIGH
    return bool(d["stops"] >= 2 or (d["swings"] >= 4 and about))


SINGLE = 0.3
"""How much of a single swing sticking is the cause of: an obstacle, or a brake, lets go once."""


def claim(mark: Mark, others: Sequence[Mark]) -> float:
    """Claim swings that repeat, single ones little, and what a joint that sticks also shows."""
    if mark.measure == "cycle":
        return 1.0
    if mark.measure == "swing":
        return 1.0 if repeats(mark) else SINGLE
    if any(m.measure == "swing" and repeats(m) for m in others):
        return float(mark.measure in {"behind", "angle step", "angle frozen"})
    held = mark.measure == "behind" and lacking(mark) >= SHORT
    again = any(m.measure == "cycle" for m in others)
    return float(again and mark.measure == "behind" and not held)


SIGNATURE = Signature(
    kind="stick-slip",
    shapes=(Shape("judder", "variances", judder, energy=True, sought=False),),
    measures=(
        Measure("swing", "ln (deg/s)²", swings, proof=False, pooled=True, sought=False),
        Measure("cycle", "ln A", cycles, proof=False, pooled=True),
    ),
    sentence=sentence,
    claim=claim,
    needs_mark=True,
)
