"""Every kind of fault that is known. A new one is one file and one line here."""

from __future__ import annotations

from collections.abc import Sequence

from replay.signatures import (
    angle_sensor,
    brake_drag,
    brake_slip,
    current_sensor,
    friction,
    gap,
    load,
    release_delay,
    stall,
    stick_slip,
    unusual,
)
from replay.signatures.kinds import Shape, Signature
from replay.signatures.marks import Mark, Measure

SIGNATURES: tuple[Signature, ...] = (
    friction.SIGNATURE,
    brake_drag.SIGNATURE,
    brake_slip.SIGNATURE,
    release_delay.SIGNATURE,
    stick_slip.SIGNATURE,
    stall.SIGNATURE,
    load.SIGNATURE,
    current_sensor.SIGNATURE,
    angle_sensor.SIGNATURE,
    gap.SIGNATURE,
    unusual.SIGNATURE,
)
BY_KIND: dict[str, Signature] = {s.kind: s for s in SIGNATURES}
MEASURES: dict[str, Measure] = {m.name: m for s in SIGNATURES for m in s.measures}
SHAPES: dict[str, Shape] = {h.name: h for s in SIGNATURES for h in s.shapes}


def claimed(mark: Mark, others: Sequence[Mark]) -> float:
    """Return how much of a mark the kind that knows it best is the cause of, 0 to 1."""
    return max(s.claims(mark, others) for s in SIGNATURES)
