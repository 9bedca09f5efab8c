"""The form in which every kind of fault declares itself.

A kind is one file: its shapes on the residuals (what it adds to them, in its
own unit), its measures at the log's own rate, and its sentence.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from replay.models.residuals import Floats, JointResiduals
from replay.signatures.marks import Mark, Measure

CHANNELS = ("plant", "servo", "rest")


@dataclass(frozen=True, slots=True)
class Shape:
    """What one unit of a fault adds to each residual, in ampere.

    ``of`` returns arrays (n,) by channel; a channel that it does not name
    stays as it was. ``grows``: the fault begins at nothing and grows
    linearly with time from its onset. ``shared``: one cause acts on all
    joints with the same size. ``energy``: it has no sign; what it adds is the mean
    square of the residual about its own mean of two seconds, in variances. Not ``sought``:
    it only tells kinds apart, another shape finds it. ``positive``: less of it is no fault.
    ``least_s``: it lasts so long at least, for no such fault comes and goes in less;
    ``most_s``: and no longer, to tell it from what is like it and stays.
    """

    name: str
    unit: str
    of: Callable[[JointResiduals], Mapping[str, Floats]]
    grows: bool = False
    shared: bool = False
    energy: bool = False
    sought: bool = True
    positive: bool = False
    least_s: float = 0.0
    most_s: float = float("inf")


@dataclass(frozen=True, slots=True)
class Facts:
    """What a sentence may say: all of it measured over the finding's own span.

    ``ampere`` are means beyond the expected current (NaN: not measured):
    ``drag``, ``forward``, ``backward``, ``held``, ``rest``, ``expected``,
    ``peak``. ``size`` is the fault in its own unit with its standard error.
    """

    joint: str
    joints: str
    span: str
    shape: str
    size: float
    size_se: float
    unit: str
    ampere: Mapping[str, float]
    marks: Sequence[Mark]
    temperature_c: float
    speed_deg_s: float
    releases: int = 0
    payload_kg: float = float("nan")
    extra: Mapping[str, float] = field(default_factory=dict)

    def proof(self, *names: str) -> Mark | None:
        """Return the largest mark of these measures."""
        own = [m for m in self.marks if m.measure in names]
        return max(own, key=lambda m: m.value) if own else None


def departs(facts: Facts) -> str:
    """Say by how much the current is not as expected, where that was measured."""
    peak = abs(facts.ampere.get("peak", float("nan")))
    by = f"by up to {peak:.2f} A " if np.isfinite(peak) else ""
    return f"the current departs {by}from the expected"


@dataclass(frozen=True, slots=True)
class Signature:
    """One kind of fault.

    ``claim`` tells how much of a mark this kind is the cause of (0 to 1), given
    the other marks beside it; by default all of its own measures' and
    nothing of others'. ``needs_mark``: without one it is hardly this kind; ``only_beside``:
    its shapes count only beside a mark of its own.
    """

    kind: str
    shapes: tuple[Shape, ...]
    measures: tuple[Measure, ...]
    sentence: Callable[[Facts], str]
    claim: Callable[[Mark, Sequence[Mark]], float] | None = None
    needs_mark: bool = False
    only_beside: bool = False

    def claims(self, mark: Mark, others: Sequence[Mark]) -> float:
        """Return how much of a mark this kind is the cause of, 0 to 1."""
        if self.claim is not None:
            return self.claim(mark, others)
        return float(any(m.name == mark.measure for m in self.measures))
