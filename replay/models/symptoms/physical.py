"""Findings that physics alone calls wrong, however the training sessions were.

A joint cannot jump a degree between two samples, an engaged brake must not let
half a degree through, a live channel does not fall silent. Their limits rest on
the log's own noise and on the joint, not on the tails of healthy sessions, so
that faults hidden in training cannot raise them and one session is enough.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from replay.models.symptoms.collect import Nominal
from replay.models.symptoms.marks import Mark

PRIOR_RATE = 0.001
"""Healthy findings of this size per joint-hour. A guess, no source; it is
counted into every check's expected false flags."""

SILENT_S = 5.0
FROZEN_S = 2.5
STEP_DEG = 1.0
SLIP_DEG = 0.5
SLOWER = 2.0
"""A release this many times slower than the unit's own."""

LEAST_TRAVEL_DEG = 0.3
CERTAIN = 20.0
"""-ln of the chance that a live channel repeats itself so often."""

NOISES = 4.0
"""A step stands this many times above what all but one in 200 samples do."""

MOSTLY, FEWEST_SESSIONS = 0.5, 4
"""What more than this share of a unit's sessions show is how the unit, or its
log, is; judged from this many sessions on."""


def excess(mark: Mark, nominal: Nominal) -> float:
    """Return a finding's size in units of its physical limit; 0 below 1.

    Parameters
    ----------
    mark : Mark
    nominal : Nominal
        The unit's own delays; a unit that showed too few has no limit for them.
    """
    size = _size(mark, nominal)
    return float(size) if np.isfinite(size) and size >= 1.0 else 0.0


def _size(mark: Mark, nominal: Nominal) -> float:
    d = mark.detail
    if mark.name in {"silence", "lost channel"}:
        return mark.value / SILENT_S
    if mark.name == "current frozen":
        sure = float(d.get("repeats", 0.0)) >= CERTAIN and d.get("moving", False)
        return mark.value / FROZEN_S if sure else 0.0
    if mark.name == "angle frozen":
        due = abs(float(d.get("expected_travel_deg", 0.0))) >= LEAST_TRAVEL_DEG
        return mark.value / FROZEN_S if due else 0.0
    if mark.name == "angle step":
        noise = float(d.get("noise_deg", np.inf))
        return min(mark.value / STEP_DEG, mark.value / max(NOISES * noise, 1e-12))
    if mark.name == "slip":
        return min(mark.value, abs(float(d.get("stayed_deg", 0.0))) / 0.8) / SLIP_DEG
    if mark.name == "release delay" and mark.name in nominal.marks:
        centre, spread = nominal.marks[mark.name]
        margin = centre + 3 * max(spread, 0.5 * float(d.get("resolution_s", 0.0)))
        return min(mark.value / (SLOWER * max(centre, 1e-9)), mark.value / max(margin, 1e-9))
    return 0.0


def usual(sessions: Iterable[tuple[str, list[Mark]]], nominal: Nominal) -> tuple[str, ...]:
    """Return the names of findings that most sessions of a unit show.

    Parameters
    ----------
    sessions : iterable of (session, marks)
    nominal : Nominal
    """
    shown: dict[str, set[str]] = {}
    names: set[str] = set()
    for session, marks in sessions:
        names.add(session)
        for mark in marks:
            if excess(mark, nominal) > 0:
                shown.setdefault(mark.name, set()).add(session)
    if len(names) < FEWEST_SESSIONS:
        return ()
    return tuple(sorted(n for n, s in shown.items() if len(s) > MOSTLY * len(names)))


def score(excess_: float) -> float:
    """Return ``-log10`` of the chance of such a finding in a healthy joint-hour."""
    return float(-np.log10(-np.expm1(-PRIOR_RATE)) + np.log10(max(excess_, 1.0)))
