"""What a unit's measures usually show: centre and scale of raw sizes, by cell."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from replay.checks.limits.noise import EVERYONE
from replay.signatures.marks import NONE, Norm, Seen, middle, pooled_norm
from replay.signatures.registry import MEASURES

FEWEST_SESSIONS = 4
"""Fewer do not tell what a recorder normally delivers."""

FEWEST_MARKS = 8
"""Fewer raw sizes tell no norm of a unit; that of all units stands in."""


def fit_norms(seen: Iterable[tuple[str, Mapping[str, Seen]]]) -> dict[str, Any]:
    """Return norms by unit, measure and cell from (unit, what its measures saw) of sessions."""
    cells: dict[tuple[str, str, str], list[Norm]] = {}
    raws: dict[tuple[str, str, str], list[list[float]]] = {}
    given = list(seen)
    sessions = Counter(unit for unit, _ in given)
    for unit, by in given:
        for measure, found in by.items():
            for cell, norm in found.usual.items():
                if MEASURES[measure].unit == "rows" and sessions[unit] < FEWEST_SESSIONS:
                    norm = (0.0, found.prior)  # a recorder is not known from so few
                for who in (unit, EVERYONE):
                    cells.setdefault((who, measure, cell), []).append(norm)
            if MEASURES[measure].pooled:
                own: dict[str, list[float]] = {}
                for mark in found.marks:
                    own.setdefault(mark.cell, []).append(mark.raw)
                for cell, raw in own.items():
                    for who in (unit, EVERYONE):
                        raws.setdefault((who, measure, cell), []).append(raw)
    made: dict[str, dict[str, dict[str, Norm]]] = {}
    for (unit, measure, cell), norms in cells.items():
        norm = middle(norms)
        if MEASURES[measure].pooled:
            few = sessions[unit] if unit != EVERYONE else max(sessions.values())
            norm = _pooled(raws.get((unit, measure, cell), []), norm[1], few=few < FEWEST_SESSIONS)
        if np.isfinite(norm[1]):
            made.setdefault(unit, {}).setdefault(measure, {})[cell] = norm
    return made


def _pooled(sessions: Sequence[Sequence[float]], least: float, *, few: bool) -> Norm:
    """Return the norm of raw sizes by session: the middle of sessions with many, else of all."""
    if not np.isfinite(least):
        return NONE
    most = 4.0 if few else float("inf")
    rich = [pooled_norm(np.array(raw), least, most) for raw in sessions if len(raw) >= FEWEST_MARKS]
    if len(rich) > len(sessions) / 2:
        order = sorted(rich, key=lambda n: n[1])
        return order[(len(order) - 1) // 2]  # the lower middle: half of them may be faulty
    every = np.array([r for raw in sessions for r in raw])
    if every.size >= FEWEST_MARKS:
        return pooled_norm(every, least, most)
    if not few:
        return NONE  # seldom met: the norm of all units stands in, else none is known
    return 0.0, max(least, float(np.quantile(every, 0.25)) if every.size else 0.0)
