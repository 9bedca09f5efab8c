"""Years of sessions: who sits where, when the arm walks, what wears.

A history is planned first, cheaply, as a list of session plans; each plan
can then be simulated on its own, in any order, with the same outcome.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from replay.demo import heron
from replay.demo.faulty.faults import FLAVOURS, GRADES, FaultWish
from replay.demo.hardware import WEAR_INDICATORS, YEAR_S, Wear
from replay.demo.sessions import SessionPlan, simulate_session

FIRST = datetime(2031, 1, 6, 8, tzinfo=UTC)
PLANT_HZ = 50.0  # long histories are wanted soon rather than fine
ORDINARY = {"inspection": 0.35, "cargo move": 0.3, "joint test": 0.15, "technician": 0.2}


@dataclass(frozen=True, slots=True)
class Swap:
    """A joint unit replaced: from ``when`` on, ``serial`` sits at ``joint``."""

    when: datetime
    joint: str
    serial: str


@dataclass(frozen=True, slots=True)
class History:
    """What a run of years is to hold.

    ``wear`` lists laws; a law without ``since`` starts with the history.
    ``missing_months`` are (year, month) without any session. ``walks`` is the
    share of sessions after which the arm stands on its other end.
    """

    sessions: int = 100
    years: float = 2.0
    minutes: float = 3.0
    rate_hz: float = 10.0
    first: datetime = FIRST
    arm_seed: int = 0
    wear: tuple[Wear, ...] = ()
    swaps: tuple[Swap, ...] = ()
    missing_months: tuple[tuple[int, int], ...] = ()
    walks: float = 0.15
    fault_rate: float = 0.0  # faults a session, in the mean
    subtle_share: float = 0.3
    styles: tuple[str, ...] = tuple(ORDINARY)
    season: bool = True


def wear_over(history: History) -> tuple[Wear, ...]:
    """Return the laws with their open dates filled in from the history."""
    end = history.first + timedelta(seconds=history.years * YEAR_S)
    middle = history.first + (end - history.first) / 2
    return tuple(
        replace(
            law,
            since=law.since or history.first,
            until=law.until or end,
            relubricated_at=law.relubricated_at or (middle if law.law == "relubricated" else None),
        )
        for law in history.wear
    )


def units_at(history: History, when: datetime) -> tuple[str, ...]:
    """Return the serial numbers in place at a time, end A first."""
    units = list(heron.FIRST_SERIALS)
    for swap in sorted(history.swaps, key=lambda s: s.when):
        if swap.when <= when:
            units[heron.NAMES.index(swap.joint)] = swap.serial
    return tuple(units)


def plan_history(history: History, seed: int) -> list[SessionPlan]:
    """Plan every session of a history, oldest first."""
    rng = np.random.default_rng([seed, history.arm_seed, 77])
    laws = wear_over(history)
    weights = np.array([ORDINARY.get(s, 0.2) for s in history.styles])
    plans: list[SessionPlan] = []
    base = "A"
    for start in _starts(history, rng):
        style = str(rng.choice(history.styles, p=weights / weights.sum()))
        walked = rng.random() < history.walks
        loaded = {"cargo move": float(rng.uniform(400.0, 1600.0)), "technician": 150.0}
        wishes = tuple(
            FaultWish(
                str(rng.choice(list(FLAVOURS))),
                GRADES[1] if rng.random() < history.subtle_share else GRADES[0],
            )
            for _ in range(int(rng.poisson(history.fault_rate)))
        )
        plans.append(
            SessionPlan(
                start=start,
                minutes=history.minutes,
                rate_hz=history.rate_hz,
                style="walk" if walked else style,
                base_end=base,
                payload_kg=0.0 if walked else round(loaded.get(style, 0.0)),
                arm_seed=history.arm_seed,
                units=units_at(history, start),
                wear=laws,
                season=history.season,
                faults=wishes,
                plant_hz=PLANT_HZ,
            )
        )
        if walked:
            base = "B" if base == "A" else "A"
    return plans


def simulate_history(
    history: History, seed: int
) -> Iterator[tuple[SessionPlan, pl.DataFrame, dict[str, Any]]]:
    """Simulate a history session by session: plan, stream, truth."""
    for number, plan in enumerate(plan_history(history, seed)):
        frame, truth = simulate_session(plan, session_seed(seed, number))
        yield plan, frame, truth


def session_seed(seed: int, number: int) -> int:
    """Return the seed of a history's n-th session."""
    return int(np.random.SeedSequence([seed, number]).generate_state(1)[0])


def wear_truth(plans: Sequence[SessionPlan]) -> list[dict[str, Any]]:
    """Return the ``wear`` entries of a truth file: every unit, worn or not.

    ``per_year`` is the mean slope between the unit's first and last session;
    ``points`` holds what had been added by each session.
    """
    entries = []
    laws = plans[0].wear if plans else ()
    for serial in dict.fromkeys(s for p in plans for s in p.units):
        own = [p for p in plans if serial in p.units]
        for indicator, unit in WEAR_INDICATORS.items():
            law = next((w for w in laws if w.serial == serial and w.indicator == indicator), None)
            if law is None and indicator != "coulomb friction":
                continue
            added = [law.added(p.start) if law else 0.0 for p in own]
            years = (own[-1].start - own[0].start).total_seconds() / YEAR_S
            entries.append(
                {
                    "serial": serial,
                    "joint": heron.NAMES[own[0].units.index(serial)],
                    "indicator": indicator,
                    "per_year": round((added[-1] - added[0]) / years, 5) if years > 0 else 0.0,
                    "unit": unit,
                    "law": law.law if law else "none",
                    "relubricated_at": (
                        law.relubricated_at.isoformat().replace("+00:00", "Z")
                        if law and law.relubricated_at
                        else None
                    ),
                    "points": [
                        [p.start.isoformat().replace("+00:00", "Z"), round(a, 5)]
                        for p, a in zip(own, added, strict=True)
                    ],
                }
            )
    return entries


def _starts(history: History, rng: np.random.Generator) -> list[datetime]:
    """Spread the sessions over the years, but not over the missing months."""
    days = int(history.years * 365.25)
    open_days = [
        d
        for d in range(days)
        if (lambda w: (w.year, w.month))(history.first + timedelta(days=d))
        not in history.missing_months
    ]
    # Evenly, with some scatter; two sessions of a day are hours apart.
    at = np.sort(np.arange(history.sessions) + rng.uniform(0.1, 0.9, history.sessions))
    at *= len(open_days) / max(history.sessions, 1)
    starts = []
    for x in at:
        day = open_days[min(int(x), len(open_days) - 1)]
        seconds = (x - int(x)) * 36_000.0
        starts.append(history.first + timedelta(days=day, seconds=round(float(seconds))))
    least = timedelta(minutes=history.minutes + 5.0)
    for k in range(1, len(starts)):
        starts[k] = max(starts[k], starts[k - 1] + least)
    return starts
