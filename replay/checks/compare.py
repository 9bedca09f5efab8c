"""Two baselines side by side: what each rests on, asks for, and expects."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from replay.checks import promise
from replay.checks.limits.extreme_values import statistic
from replay.models.baseline import Baseline
from replay.models.expectation import KNOWN_ENOUGH
from replay.models.facts import steady_current
from replay.models.units.joint_unit import UnitModel
from replay.models.units.variance import cells_of

SPEEDS = (-0.9, -0.5, -0.15, 0.15, 0.5, 0.9)
"""Shares of the unit's usual top speed at which expectations are compared."""

NOTICED, BAND = "friction", 1
"""The shape, and the windows of 13 s, by which the least noticed drag is told."""


@dataclass(frozen=True, slots=True)
class Pair:
    """A figure of the first baseline and of the second; None where one has none."""

    first: Any
    second: Any


def compare(first: Baseline, second: Baseline) -> dict[str, Any]:
    """Lay two baselines side by side.

    Parameters
    ----------
    first, second : Baseline

    Returns
    -------
    dict
        ``baselines``: for both, sessions, span, joint-hours, asked rate, score
        limit, expected false flags per 100 joint-hours, promise.
        ``only_first`` and ``only_second``: sessions that taught one alone.
        ``units``: for each unit of either, pairs of sessions, hours, range of
        temperature and least drag noticed, A; and ``expected``: rows of
        ``rate_deg_s``, expected current of both, A, and the difference second
        less first, at steady speed, no load and the temperature between both.
    """
    names = sorted(set(first.units) | set(second.units))
    return {
        "baselines": [_rests_on(first), _rests_on(second)],
        "only_first": sorted(set(first.sessions) - set(second.sessions)),
        "only_second": sorted(set(second.sessions) - set(first.sessions)),
        "units": [_unit(name, first, second) for name in names],
    }


def least_drag_a(baseline: Baseline, unit: UnitModel) -> float | None:
    """Return the drag that becomes a flag when it lasts 13 s of usual motion, A.

    None where the unit has too little motion to tell.
    """
    laws = promise.calibration_of(baseline)
    noise = laws.noise.get(unit.serial, {}).get(NOTICED)
    if noise is None or noise.usual_energy <= 0:
        return None
    limit, name = promise.score_limit_for(baseline.asked), statistic(NOTICED, BAND)
    low, high = 0.0, 1000.0
    for _ in range(50):
        mid = 0.5 * (low + high)
        low, high = (mid, high) if float(laws.score(name, np.array(mid))) < limit else (low, mid)
    return float(high * np.sqrt(noise.longest / noise.usual_energy + noise.omega**2))


def _rests_on(baseline: Baseline) -> dict[str, Any]:
    return {
        "baseline": baseline.version,
        "sessions": len(baseline.sessions),
        "first": baseline.first,
        "last": baseline.last,
        "joint_hours": promise.hours(baseline),
        "asked_rate": baseline.asked,
        "score_limit": promise.score_limit_for(baseline.asked),
        "expected_rate": promise.expected_rate(baseline),
        "promise": promise.sentence(baseline),
    }


def _unit(name: str, first: Baseline, second: Baseline) -> dict[str, Any]:
    known = (first.units.get(name), second.units.get(name))
    noticed = [
        least_drag_a(b, u) if u is not None else None
        for b, u in zip((first, second), known, strict=True)
    ]
    return {
        "unit": name,
        "sessions": Pair(*(len(u.sessions) if u else 0 for u in known)),
        "hours": Pair(*(u.hours if u else 0.0 for u in known)),
        "set_aside": Pair(*(len(u.set_aside) if u else 0 for u in known)),
        "temperature_c": Pair(*(_range(u) if u else None for u in known)),
        "least_drag_a": Pair(*noticed),
        "expected": _expected(name, first, second),
    }


def _expected(name: str, first: Baseline, second: Baseline) -> list[dict[str, float | None]]:
    """Compare the steady currents where both have a fit; nothing where one has none."""
    both = [b.units[name] for b in (first, second) if name in b.units]
    if len(both) < 2 or any(not u.names for u in both):
        return []
    rates = min(u.fast_deg_s for u in both) * np.array(SPEEDS)
    heats = [h for h in map(_range, both) if h is not None]
    heat = None
    if len(heats) == 2:
        low, high = max(h[0] for h in heats), min(h[1] for h in heats)
        heat = 0.5 * (low + high) if low <= high else 0.5 * (heats[0][0] + heats[1][1])
    one, other = (_current(u, rates, heat) for u in both)
    return [
        {"rate_deg_s": float(r), "first_a": a, "second_a": b, "difference_a": _less(b, a)}
        for r, a, b in zip(rates, one, other, strict=True)
    ]


def _current(
    unit: UnitModel, rates: np.ndarray[Any, Any], heat: float | None
) -> list[float | None]:
    """Return the current of steady motion, A; None where the speed was not seen."""
    warm = 0.0 if heat is None else heat - unit.reference_c
    value = steady_current(unit, rates, warm)[0] + unit.coefficient("bias")
    at = cells_of(np.full(rates.size, warm), rates / unit.fast_deg_s, np.zeros(rates.size))
    seen = unit.trained.extrapolation(at) < KNOWN_ENOUGH
    return [float(v) if ok else None for v, ok in zip(value, seen, strict=True)]


def _range(unit: UnitModel) -> tuple[float, float] | None:
    """Return the temperatures that taught a unit, None where none was logged."""
    low, high = unit.temperature_range_c
    return (low, high) if np.isfinite(low) else None


def _less(value: float | None, other: float | None) -> float | None:
    return None if value is None or other is None else value - other
