"""Replay detection on history whose events are known, beside plain detectors.

Nobody judges a session that taught it: healthy sessions are judged by a
baseline learned from the other half of them, sessions with events by one
learned from all healthy ones.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from replay.archive import Archive
from replay.checks.check import judge
from replay.checks.learning import learn_from
from replay.checks.matching import Known, Raised, Tally, match
from replay.checks.plain import plain_detectors
from replay.checks.reading import Reading, read
from replay.errors import UsageError
from replay.models.baseline import Baseline
from replay.models.grid.condensing import choose_filter

OURS = "jointbook"
UPHELD = {"explained", "watch", "repair"}
"""Words of a verdict by which something did happen."""


@dataclass(frozen=True, slots=True)
class Backtest:
    """Each detector's tally on the same sessions."""

    asked: float
    tallies: dict[str, Tally]
    healthy: list[str]
    eventful: list[str]
    baseline: str | None

    def summary(self) -> dict[str, Any]:
        """Return what the JSON document says."""
        return {
            "asked_rate": self.asked,
            "baseline": self.baseline,
            "healthy_sessions": len(self.healthy),
            "sessions_with_events": len(self.eventful),
            "detectors": {name: tally.summary() for name, tally in self.tallies.items()},
        }


def backtest(
    archive: Archive,
    known: Iterable[Known],
    sessions: Iterable[str],
    *,
    asked: float = 1.0,
    baseline: Baseline | None = None,
    progress: Callable[[str, int, int], None] | None = None,
) -> Backtest:
    """Judge sessions with known events by our detectors and two plain ones.

    Parameters
    ----------
    archive : Archive
    known : iterable of Known
        The events.
    sessions : iterable of str
        Every session whose events are known, those without events included.
    asked : float
        False flags accepted per 100 joint-hours, for all three detectors.
    baseline : Baseline, optional
        Judge by this baseline instead of learning afresh; sessions that taught
        it are then left out.

    Raises
    ------
    UsageError
        Too few healthy sessions to learn from.
    """
    events = list(known)
    names = sorted(set(sessions))
    eventful = sorted({e.session for e in events})
    healthy = [n for n in names if n not in eventful]
    if baseline is not None:
        healthy = [n for n in healthy if n not in baseline.sessions]
        eventful = [n for n in eventful if n not in baseline.sessions]
        events = [e for e in events if e.session in eventful]
    elif len(healthy) < 2:
        raise UsageError(
            f"only {len(healthy)} of the known sessions are without events",
            todo="name more truth files, or a baseline with --baseline",
        )
    readings: dict[str, Reading] = {}
    chosen = [*healthy, *eventful]
    filter_s = baseline.model.filter_s if baseline is not None else choose_filter(archive, healthy)
    for k, name in enumerate(chosen):
        if progress is not None:
            progress("reading sessions", k, len(healthy) + len(eventful))
        readings[name] = read(archive, name, filter_s)
    rounds = _rounds(healthy, eventful, baseline)
    raised: dict[str, list[Raised]] = {OURS: []}
    hours = 0.0
    for k, (teach, judged) in enumerate(rounds):
        if progress is not None:
            progress("judging", k, len(rounds))
        taught = [readings[n] for n in teach]
        ours = baseline or learn_from(taught, asked, filter_s)
        plain = plain_detectors(taught, asked) if taught else []
        for name in judged:
            result = judge(readings[name], ours)
            hours += result.joint_hours
            raised[OURS] += [
                Raised(name, f.joint, f.kind, f.start, f.end, f.score, f.group)
                for f in result.flags
                if f.evidence["lead"]
            ]
            for detector in plain:
                found = raised.setdefault(detector.name, [])
                found += detector.raise_flags(readings[name])
    tallies = {
        name: match(events, flags, hours, kinds=name == OURS) for name, flags in raised.items()
    }
    return Backtest(asked, tallies, healthy, eventful, baseline.version if baseline else None)


def _rounds(
    healthy: list[str], eventful: list[str], baseline: Baseline | None
) -> list[tuple[list[str], list[str]]]:
    if baseline is not None:
        return [(healthy, [*healthy, *eventful])]
    even, odd = healthy[::2], healthy[1::2]
    return [(even, odd), (odd, even), (healthy, eventful)]
