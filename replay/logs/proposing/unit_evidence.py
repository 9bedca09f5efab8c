"""Degrees or radians? What the values of angles and rates prove, and what they leave open.

The slope of an angle held against a rate tells only how the two units stand
to each other: degrees with deg/s fit as well as radians with rad/s. What can
tell them apart is said here one by one: sizes that no joint has in radians,
an encoder's step that divides one turn evenly, a jump by one whole turn, a
setting that is round in one unit only. Without such a proof the unit stays a
question, whatever speaks for it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from replay.logs.proposing.guesses import Floats, Guess, size

_TURN = {"deg": 360.0, "rad": 2.0 * math.pi}
_OPEN = 0.5
"""Confidence where both readings stay possible: below what is used unseen."""
_MOST_UNIQUE = 20_000
_OVER = 1.15
"""A joint passes a stated limit by this at most: overshoot and noise."""
_HELD = 8
"""So many samples on a limit are no chance."""


@dataclass(frozen=True, slots=True)
class Proof:
    """What speaks for a unit of angle, and how surely."""

    unit: str
    confidence: float
    why: str


def angle_proofs(columns: Sequence[Floats]) -> list[Proof]:
    """Return what angles prove of their unit, the surest first."""
    found = [p for p in (_size(columns), _wrap(columns), _step(columns)) if p is not None]
    round_one = settings(columns, 15.0)
    if round_one is not None:
        found.append(round_one)
    return sorted(found, key=lambda p: -p.confidence)


def rate_proofs(columns: Sequence[Floats]) -> list[Proof]:
    """Return what rates prove of their unit, as that of the angle under them."""
    found: list[Proof] = []
    top = size(columns)
    if top > 12.6:
        found.append(
            Proof("deg", 0.75, f"rates reach {top:.3g}, which as rad/s is two turns a second")
        )
    round_one = settings(columns, 5.0)
    if round_one is not None:
        found.append(round_one)
    return sorted(found, key=lambda p: -p.confidence)


def limit_proofs(limits: Sequence[tuple[str, float, str]], rates: Sequence[Floats]) -> list[Proof]:
    """Return what a stated limit of the rate proves of the rates' unit.

    Parameters
    ----------
    limits : sequence of (str, float, str)
        Name of the column, the limit and its unit, deg/s or rad/s, as the log states it.
    rates : sequence of ndarray
        The joints' rates as they stand in the log.
    """
    top = size(rates)
    if not limits or top <= 0.0:
        return []
    name, value, unit = max(limits, key=lambda limit: limit[1])
    most = {"deg": value, "rad": value} | (
        {"rad": math.radians(value)} if unit == "deg/s" else {"deg": math.degrees(value)}
    )
    said = f"{name!r} states {value:.4g} {unit}"
    if top > _OVER * most["rad"] and top <= _OVER * most["deg"]:
        return [Proof("deg", 0.9, f"{said}, and rates reach {top:.3g}: as rad/s too much")]
    held = sum(int((np.abs(np.abs(r) - most["rad"]) < 0.01 * most["rad"]).sum()) for r in rates)
    if held >= _HELD and top <= _OVER * most["rad"]:
        return [Proof("rad", 0.88, f"{said}, and rates stay at {most['rad']:.3g}, the same in rad")]
    return []


def settle(proofs: Sequence[Proof], leaning: str, lean_why: str) -> Guess:
    """Return the unit that is proved, or the likelier one with a confidence that asks."""
    if not proofs:
        return Guess(leaning, _OPEN, f"{lean_why}; degrees or radians, nothing proves which")
    best = proofs[0]
    against = [p for p in proofs if p.unit != best.unit]
    if against:
        why = f"{best.why}, yet {against[0].why}"
        return Guess(best.unit, min(_OPEN, best.confidence - 0.3), why)
    return Guess(best.unit, best.confidence, "; ".join(p.why for p in proofs[:2]))


def _size(columns: Sequence[Floats]) -> Proof | None:
    tops = [size([c]) for c in columns]
    top = max(tops, default=0.0)
    beyond = sum(t > 13.0 for t in tops)
    if top > 2000.0:
        return None  # many turns, or counts of an encoder
    if beyond >= 2 and top > 40.0:
        return Proof(
            "deg",
            0.88,
            f"{beyond} joints reach beyond 13, one {top:.3g}: as rad two turns and more",
        )
    if beyond >= 2:
        return Proof(
            "deg", 0.8, f"{beyond} joints reach beyond two turns in radians ({top:.3g} rad)"
        )
    if top > 40.0 and len(columns) <= 3:
        return Proof("deg", 0.7, f"values reach {top:.3g}, which as rad is six turns")
    return None


def _wrap(columns: Sequence[Floats]) -> Proof | None:
    """Find a joint that runs through, and jumps back by exactly one turn."""
    for values in columns:
        good = values[np.isfinite(values)]
        if len(good) < 10:
            continue
        change = np.abs(np.diff(good))
        spread = float(good.max() - good.min())
        for unit, turn in _TURN.items():
            jumps = np.abs(change - turn) < 0.1 * turn
            if 0 < jumps.sum() < 0.05 * len(good) and 0.9 * turn < spread < 1.02 * turn:
                usual = float(np.median(change))
                if usual < 0.05 * turn:
                    return Proof(unit, 0.9, f"a joint jumps by one turn ({turn:.4g}) and goes on")
    return None


def _step(columns: Sequence[Floats]) -> Proof | None:
    """Find the step of an encoder, which divides one turn by a power of two."""
    told: dict[str, int] = {"deg": 0, "rad": 0}
    steps: list[float] = []
    for values in columns:
        quantum = quantum_of(values)
        if quantum is None:
            continue
        steps.append(quantum)
        for unit, turn in _TURN.items():
            bits = math.log2(turn / quantum)
            if 9.5 < bits < 26.5 and abs(bits - round(bits)) < 0.0015:
                told[unit] += 1
    for unit, other in (("deg", "rad"), ("rad", "deg")):
        if told[unit] >= max(1, 0.5 * len(steps)) and not told[other]:
            bits = round(math.log2(_TURN[unit] / steps[0]))
            return Proof(unit, 0.9, f"steps of {steps[0]:.6g} are one turn in 2^{bits} parts")
    return None


def quantum_of(values: Floats) -> float | None:
    """Return the step that all values are multiples of, or None where there is none."""
    found = np.unique(values[np.isfinite(values)][:_MOST_UNIQUE])
    if len(found) < 30:
        return None
    gaps = np.diff(found)
    least = float(np.quantile(gaps, 0.02))
    if least <= 0.0:
        return None
    near = gaps[(gaps > 0.5 * least) & (gaps < 1.5 * least)]
    step = float(np.median(near)) if len(near) else least
    for _ in range(3):
        counts = np.round(gaps / step)
        good = counts > 0
        if not good.any():
            return None
        step = float(gaps[good].sum() / counts[good].sum())
    counts = np.round((found - found[0]) / step)
    step = float((found[-1] - found[0]) / max(counts[-1], 1.0))
    off = np.abs((found - found[0]) / step - counts)
    # decimals of the text are a step of their own, and prove nothing
    decimal = abs(math.log10(step) - round(math.log10(step))) < 1e-6
    return None if float(np.quantile(off, 0.9)) > 0.1 or decimal else step


def settings(columns: Sequence[Floats], grid_deg: float) -> Proof | None:
    """Find a value that stays, and is round in degrees when read as radians.

    Settings are typed by people: 60 deg/s is 1.0472 in radians. A value that
    is round as it stands proves nothing, since both units have round values.
    """
    votes: list[float] = []
    for values in columns:
        good = values[np.isfinite(values)]
        if len(good) < 8:
            continue
        kept, counts = np.unique(good, return_counts=True)
        often = kept[(counts >= max(4, 0.05 * len(good))) & (np.abs(kept) > 1e-3)]
        for value in often:
            turned = math.degrees(float(value))
            off = abs(turned - grid_deg * round(turned / grid_deg))
            plain = abs(float(value) * 1000 - round(float(value) * 1000)) < 1e-6
            if round(turned / grid_deg) and off < 2e-4 * grid_deg and not plain:
                votes.append(float(value))
    if not votes:
        return None
    value = max(votes, key=abs)
    return Proof(
        "rad", 0.92, f"{value:.7g} comes again and again: {math.degrees(value):.4g} in degrees"
    )
