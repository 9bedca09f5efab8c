"""Flags against known events: what was found, how late, what was false.

An event counts as found when a flag overlaps it in time, give or take a small
tolerance. Nothing is credited beyond that: no point adjustment, by which one
lucky sample would make a whole event count as found.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from replay.errors import UsageError

TOLERANCE_S = 1.0
ABRUPT = {"brake-slip", "late-release", "stall", "angle-sensor", "gap", "brake-drag"}


@dataclass(frozen=True, slots=True)
class Known:
    """One event that is known to have happened; joint "" is every joint."""

    session: str
    joint: str
    kind: str
    start: datetime
    end: datetime
    grade: str = ""
    also: tuple[str, ...] = ()

    @property
    def joints(self) -> set[str]:
        """Every joint on which a flag would be right."""
        return {self.joint, *self.also}


@dataclass(frozen=True, slots=True)
class Raised:
    """The part of a flag that counts here."""

    session: str
    joint: str
    kind: str
    start: datetime
    end: datetime
    score: float = 0.0
    group: str | None = None


@dataclass(frozen=True, slots=True)
class Found:
    """What became of one known event."""

    known: Known
    hit: bool
    right_joint: bool = False
    right_kind: bool = False
    said: str = ""
    delay_s: float | None = None


@dataclass(frozen=True, slots=True)
class Tally:
    """One detector's result on a set of sessions; those of several sets can be added."""

    found: tuple[Found, ...] = ()
    false: tuple[Raised, ...] = ()
    joint_hours: float = 0.0

    def __add__(self, other: Tally) -> Tally:
        return Tally(
            self.found + other.found,
            self.false + other.false,
            self.joint_hours + other.joint_hours,
        )

    def summary(self) -> dict[str, Any]:
        """Return recall, delay and false flags with 90 % intervals."""
        from replay.statistics.rates import rate_interval

        grades = sorted({f.known.grade for f in self.found})
        kinds = sorted({f.known.kind for f in self.found})
        low, high = rate_interval(len(self.false), self.joint_hours)
        hits = [f for f in self.found if f.hit]
        return {
            "events": len(self.found),
            "recall": _share([f.hit for f in self.found]),
            "by_grade": {
                g: _share([f.hit for f in self.found if f.known.grade == g]) for g in grades
            },
            "right_joint": _share([f.right_joint for f in hits]),
            "right_kind": _share([f.right_kind for f in hits]),
            "median_delay_s": _median([f.delay_s for f in hits if f.known.kind in ABRUPT]),
            "false_flags": len(self.false),
            "joint_hours": self.joint_hours,
            "false_per_100h": {
                "value": 100 * len(self.false) / max(self.joint_hours, 1e-9),
                "low": 100 * low,
                "high": 100 * high,
            },
            "kinds": {
                k: {
                    "recall": _share([f.hit for f in self.found if f.known.kind == k]),
                    "right_kind": _share([f.right_kind for f in hits if f.known.kind == k]),
                    "median_delay_s": _median([f.delay_s for f in hits if f.known.kind == k]),
                }
                for k in kinds
            },
        }


def match(
    known: Iterable[Known], raised: Sequence[Raised], joint_hours: float, *, kinds: bool = True
) -> Tally:
    """Lay flags beside known events.

    Parameters
    ----------
    kinds : bool
        False for a detector that names no kind.
    """
    found: list[Found] = []
    by_session: dict[str, list[Raised]] = {}
    for flag in raised:
        by_session.setdefault(flag.session, []).append(flag)
    used: set[int] = set()
    for event in known:
        over = [f for f in by_session.get(event.session, []) if _overlap(event, f)]
        mine = [f for f in over if not event.joint or not f.joint or f.joint in event.joints]
        used.update(id(f) for f in mine)
        if not over:
            found.append(Found(event, False))
            continue
        pool = mine or over
        best = max(
            pool,
            key=lambda f: (
                f.joint == event.joint,
                f.kind == event.kind and f.score > 0.8 * max(p.score for p in pool),
                f.score,
            ),
        )
        found.append(
            Found(
                event,
                True,
                right_joint=bool(mine),
                right_kind=kinds and best.kind == event.kind,
                said=best.kind,
                delay_s=max(0.0, (best.start - event.start).total_seconds()),
            )
        )
    return Tally(tuple(found), tuple(f for f in raised if id(f) not in used), joint_hours)


def known_events(documents: Iterable[dict[str, Any]], sources: dict[str, str]) -> list[Known]:
    """Read truth documents; ``sources`` maps a log's file name to its session."""
    made: list[Known] = []
    for document in documents:
        if not isinstance(document.get("sessions"), list):
            raise UsageError("a truth file needs a list `sessions`")
        for entry in document["sessions"]:
            session = sources.get(str(entry["source"]))
            if session is None:
                continue
            made += [
                Known(
                    session=session,
                    joint=event.get("joint", ""),
                    kind=event["kind"],
                    start=_instant(event, "start"),
                    end=_instant(event, "end"),
                    grade=event.get("grade", ""),
                    also=tuple(event.get("also", ())),
                )
                for event in entry.get("events", [])
            ]
    return made


def _instant(event: dict[str, Any], name: str) -> datetime:
    try:
        return datetime.fromisoformat(event[name])
    except (KeyError, TypeError, ValueError):
        raise UsageError(
            f"an event's {name} is {event.get(name)!r}", todo="write it as 2031-03-01T09:00:00Z"
        ) from None


def _overlap(event: Known, flag: Raised) -> bool:
    slack = timedelta(seconds=TOLERANCE_S)
    return flag.start <= event.end + slack and flag.end >= event.start - slack


def _share(values: list[bool]) -> dict[str, float | int | None]:
    """Share of True with its exact 90 % interval (Clopper and Pearson, 1934)."""
    from scipy.stats import beta

    n, k = len(values), int(sum(values))
    if not n:
        return {"value": None, "low": None, "high": None, "n": 0}
    low = float(beta.ppf(0.05, k, n - k + 1)) if k else 0.0
    high = float(beta.ppf(0.95, k + 1, n - k)) if k < n else 1.0
    return {"value": k / n, "low": low, "high": high, "n": n}


def _median(values: list[float | None]) -> float | None:
    good = [v for v in values if v is not None]
    return float(np.median(good)) if good else None
