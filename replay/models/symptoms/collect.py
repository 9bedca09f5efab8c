"""All symptoms of one joint in one session, on one scale.

Every detector's value is divided by how much it varies in healthy sessions of
that unit. A value of 4 then means much the same for a drag in amperes, a
delay in seconds and a slip in degrees, which lets units share their tails.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from replay.models.bins import Floats
from replay.models.expected import ExpectedCurrent
from replay.models.patterns import PatternModel
from replay.models.symptoms import angles, current, heaves, pushes
from replay.models.symptoms.marks import Mark
from replay.models.trace import Statistic, Trace

CAP = 60.0
"""Values above this are all the same: certain."""

NOTABLE = 1.0
"""A finding no larger than this, in healthy spreads, is none."""

BLIND_FROM = 3.0
"""A sensor finding at least this large hides its span from other detectors."""

MARK_DEFAULTS: dict[str, tuple[float, float]] = {
    "silence": (0.0, 0.6),
    "lost channel": (0.0, 0.6),
    "current frozen": (0.0, 0.6),
    "angle frozen": (0.0, 0.6),
    "angle step": (0.0, 0.08),
    "spike": (0.0, 1.0),
    "slip": (0.0, 0.03),
    "release delay": (0.1, 0.03),
    "engage delay": (0.1, 0.05),
    "motion delay": (0.2, 0.1),
    "brake chatter": (0.0, 1.0),
}
"""Centre and spread where a unit has shown too few to learn from, in the
finding's unit (s, deg; spikes in spreads of a sample). Common practice, no
source."""

FEWEST = 6
SPIKE_NOISES = 4.0
"""A spike's size is told in so many spreads of a single sample."""


@dataclass(slots=True)
class Nominal:
    """What healthy sessions of a unit look like to each detector."""

    spreads: dict[str, float] = field(default_factory=dict)
    marks: dict[str, tuple[float, float]] = field(default_factory=dict)
    session_level: float = 1.0
    current_a: float = 1.0
    """Median size of the moving current, A."""
    usual: tuple[str, ...] = ()
    """Findings beyond physical limits that most of the unit's sessions show."""
    turns: float = 0.0
    """Uncommanded stops and starts within 6 s that nine sessions in ten stay at or below."""

    def scaled(self, statistic: Statistic) -> Floats:
        """Return a statistic in healthy spreads, signed."""
        size = self.spreads.get(statistic.name)
        if size is None or size <= 0:
            return np.full(statistic.value.size, np.nan)
        return np.clip(statistic.value / size, -CAP, CAP)

    def mark_value(self, mark: Mark, sample_sd: float) -> float:
        """Return a finding's size in healthy spreads, from 0 to the cap."""
        centre, size = self.marks.get(mark.name, MARK_DEFAULTS[mark.name])
        value = mark.value
        if mark.name == "spike":
            value /= SPIKE_NOISES * max(sample_sd, 1e-9)
        if mark.name.endswith("delay"):
            resolution = float(mark.detail.get("resolution_s", 0.0))
            size = max(size, 0.12 * centre, 0.35 * resolution)
            if mark.detail.get("never"):
                return CAP if value > centre + 3 * size else 0.0
        return float(np.clip((value - centre) / size, 0.0, CAP))

    def to_plain(self) -> dict[str, Any]:
        """Return what JSON holds."""
        return {
            "spreads": self.spreads,
            "marks": {k: list(v) for k, v in self.marks.items()},
            "session_level": self.session_level,
            "current_a": self.current_a,
            "usual": list(self.usual),
            "turns": self.turns,
        }

    @classmethod
    def from_plain(cls, data: dict[str, Any]) -> Nominal:
        """Rebuild from `to_plain`."""
        return cls(
            spreads=dict(data["spreads"]),
            marks={k: (v[0], v[1]) for k, v in data["marks"].items()},
            session_level=data["session_level"],
            current_a=data["current_a"],
            usual=tuple(data.get("usual", ())),
            turns=data["turns"],
        )


def statistics(
    trace: Trace,
    model: ExpectedCurrent,
    nominal: Nominal,
    patterns: Iterable[PatternModel],
) -> list[Statistic]:
    """Return every detector's raw values along the trace."""
    speed = model.scales_.speed if model.scales_ is not None else 1.0
    made = current.shifts(trace, nominal.session_level)
    made += current.offsets(trace)
    made += current.resting(trace)
    made += current.samples(trace, model.sample_sd_)
    made += current.loads(trace)
    made += current.tracking(trace, speed)
    made += current.stop_go(trace)
    made += pushes.pushes(trace, model)
    made += current.wobble(trace)
    made += heaves.heaving(trace)
    made += angles.astray(trace)
    for pattern in patterns:
        made += pattern.score(trace)
    return made


def blind(trace: Trace, marks: list[Mark], nominal: Nominal, model: ExpectedCurrent) -> Trace:
    """Hide the spans in which a sensor is known to have lied."""
    sample_sd = model.sample_noise()
    seen = trace.seen.copy()
    for mark in marks:
        if mark.name not in {"current frozen", "angle frozen", "angle step", "spike"}:
            continue
        if nominal.mark_value(mark, sample_sd) < BLIND_FROM:
            continue
        seen &= ~(
            (trace.bins.end_s >= mark.start_s - 0.3) & (trace.bins.start_s <= mark.end_s + 0.3)
        )
    return Trace(trace.bins, trace.expected, trace.sd, seen, trace.seconds)
