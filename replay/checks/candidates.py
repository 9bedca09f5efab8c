"""Where a detector's value is rarer than usual: spans with a peak and a rate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from replay.models.symptoms import physical
from replay.models.symptoms.collect import NOTABLE
from replay.models.symptoms.marks import Mark, runs
from replay.models.trace import Statistic, Trace
from replay.models.unit import Rarity, UnitModel

OPEN_RATE = 0.3
"""A detector opens a span where its value turns up less often than this per
healthy joint-hour; the flag's own limit is far stricter."""

HYSTERESIS = 0.6
"""A span, once open, lasts while the value stays above this share of what
opened it."""


@dataclass(slots=True)
class Candidate:
    """One detector's span. ``value`` is signed, in healthy spreads."""

    name: str
    start_s: float
    end_s: float
    peak_s: float
    value: float
    rate: float
    score: float
    window_s: float = 0.0
    reach_s: float = 0.0
    """Where the window that opened the span began; windows count time in
    motion, so this may lie well before."""
    mark: Mark | None = None
    physical: bool = False
    """Beyond a limit of its own: a flag whatever the baseline's tails say."""

    @property
    def family(self) -> str:
        """First word of the detector's name."""
        return self.mark.name if self.mark is not None else self.name.split()[0]


def candidates(trace: Trace, marks: list[Mark], unit: UnitModel, rarity: Rarity) -> list[Candidate]:
    """Return every span of every detector, unmerged, best first."""
    found: list[Candidate] = []
    for statistic in unit.statistics(trace):
        found += _spans(statistic, trace, rarity)
    for mark, value in zip(marks, unit.mark_values(marks), strict=True):
        beyond = unit.physical(mark)
        if not beyond and value <= NOTABLE:
            continue
        rate = float(rarity.rate(mark.name, value))
        if not beyond and rate > OPEN_RATE:
            continue
        score = float(rarity.score(rate)) if value > NOTABLE else 0.0
        found.append(
            Candidate(
                mark.name,
                mark.start_s,
                mark.end_s,
                mark.start_s,
                value,
                rate,
                max(score, physical.score(beyond)) if beyond else score,
                reach_s=mark.start_s,
                mark=mark,
                physical=beyond > 0,
            )
        )
    return sorted(found, key=lambda c: (not c.physical, -c.score, c.window_s, c.start_s, c.name))


def _spans(statistic: Statistic, trace: Trace, rarity: Rarity) -> list[Candidate]:
    value = np.nan_to_num(statistic.value)
    tail = rarity.tails.get(statistic.name)
    if tail is None or not value.size:
        return []
    level = max(tail.value(OPEN_RATE), 1.0)
    high = np.abs(value) >= level
    if not high.any():
        return []
    first, last = runs(np.abs(value) >= HYSTERESIS * level)
    spent = np.cumsum(trace.seconds[statistic.rows])
    made = []
    for a, b in zip(first, last, strict=True):
        part = value[a : b + 1]
        top = int(np.argmax(np.abs(part)))
        if abs(part[top]) < level:
            continue
        rate = float(rarity.rate(statistic.name, abs(float(part[top]))))
        end = float(trace.bins.end_s[statistic.rows[b]])
        start = float(trace.bins.start_s[statistic.rows[a]])
        if np.isinf(statistic.window_s):
            start = float(trace.bins.start_s[statistic.rows[0]])
        begin = int(np.searchsorted(spent, spent[a] - statistic.window_s))
        reach = min(start, float(trace.bins.start_s[statistic.rows[begin]]))
        made.append(
            Candidate(
                statistic.name,
                start,
                end,
                float(trace.bins.end_s[statistic.rows[a + top]]),
                float(part[top]),
                rate,
                float(rarity.score(rate)),
                statistic.window_s,
                reach,
            )
        )
    return made
