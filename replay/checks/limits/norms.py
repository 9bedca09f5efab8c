"""What a unit's measures usually show: centre and scale of raw sizes, by cell.

Sizes of one session are alike (a cold day slows every brake), so a scale is that of sizes within
a session and of sessions among each other; a unit's few sessions say little of it, so scales
are drawn to what all units have in common, the more the fewer sessions told.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from replay.checks.limits.noise import EVERYONE
from replay.models.residuals import Floats
from replay.signatures.marks import NONE, Norm, Seen, middle, pooled_norm
from replay.signatures.registry import MEASURES
from replay.statistics.moderation import moderated
from replay.statistics.spread import MAD_TO_SD

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
            norm = _pooled(
                raws.get((unit, measure, cell), []),
                norm[1],
                few=few < FEWEST_SESSIONS,
                alike=is_time(measure),
            )
        if np.isfinite(norm[1]):
            made.setdefault(unit, {}).setdefault(measure, {})[cell] = norm
    told = {key: len(sessions_of_it) for key, sessions_of_it in raws.items()}
    _draw_together(made, told, {key: middle(n)[1] for key, n in cells.items()})
    return made


def _draw_together(
    made: dict[str, dict[str, dict[str, Norm]]],
    told: Mapping[tuple[str, str, str], int],
    least: Mapping[tuple[str, str, str], float],
) -> None:
    """Draw the scales of times to what a measure's cells have in common, in place.

    A scale that four sessions tell may be half of what the next dozen show. Brakes of one arm
    answer alike; currents are each motor's own.
    """
    for measure in sorted({m for by in made.values() for m in by if is_time(m)}):
        keys = [
            (unit, measure, cell)
            for unit, by in made.items()
            for cell in by.get(measure, {})
            if told.get((unit, measure, cell), 0) > 0
        ]
        own = [key for key in keys if key[0] != EVERYONE]
        scale = np.array([made[u][m][c][1] for u, m, c in own])
        freedom = np.array([told[key] - 1.0 for key in own])
        drawn = np.sqrt(moderated(scale[:, None] ** 2, freedom)[:, 0]) if own else scale
        for (unit, m, cell), new in zip(own, drawn, strict=True):
            floor = max(least[unit, m, cell], 0.0)
            made[unit][m][cell] = (made[unit][m][cell][0], max(float(new), floor))


def is_time(measure: str) -> bool:
    """Tell whether a measure's sizes are times, of which a session has a few."""
    return MEASURES[measure].pooled and MEASURES[measure].unit == "s"


def _pooled(sessions: Sequence[Sequence[float]], least: float, *, few: bool, alike: bool) -> Norm:
    """Return the norm of raw sizes by session: the middle of sessions with many, else of all.

    ``alike``: sizes of one session share what it differs by from the others.
    """
    if not np.isfinite(least):
        return NONE
    most = 4.0 if few else float("inf")
    rich = [pooled_norm(np.array(raw), least, most) for raw in sessions if len(raw) >= FEWEST_MARKS]
    if len(rich) > len(sessions) / 2:  # the lower middle: half of them may be faulty
        order = sorted(rich, key=lambda n: n[1])
        centre, scale = order[(len(order) - 1) // 2]
        if not alike:
            return centre, scale
        centres = np.array([n[0] for n in rich])
        centre = _lower_middle(centres)
        return centre, float(np.hypot(scale, MAD_TO_SD * _lower_middle(np.abs(centres - centre))))
    every = np.array([r for raw in sessions for r in raw])
    if every.size >= FEWEST_MARKS:
        return pooled_norm(every, least, most)
    if not few:
        return NONE  # seldom met: the norm of all units stands in, else none is known
    return 0.0, max(least, float(np.quantile(every, 0.25)) if every.size else 0.0)


def _lower_middle(values: Floats) -> float:
    return float(np.sort(values)[(values.size - 1) // 2])
