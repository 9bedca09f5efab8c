"""What travels between rooms. No input, no output, no computation.

Instants are timezone-aware UTC ``datetime`` here (microseconds, enough for a
record); samples keep nanoseconds in their own tables.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from replay.unit_keys import unit_key

FlagKind = Literal[
    "friction",
    "brake-drag",
    "brake-slip",
    "late-release",
    "stick-slip",
    "stall",
    "load",
    "current-sensor",
    "angle-sensor",
    "gap",
    "unusual",
]
FLAG_KINDS: tuple[str, ...] = FlagKind.__args__  # type: ignore[attr-defined]

Severity = Literal["note", "look", "act"]
"""``note``: unusual, nothing owed. ``look``: look closer before sign-off.
``act``: calls for a decision before the arm moves again."""


@dataclass(frozen=True, slots=True)
class QualityNote:
    """One thing that was found in, or done to, a log on its way in."""

    kind: str
    detail: str
    joint: str | None = None
    channel: str | None = None
    start: datetime | None = None
    end: datetime | None = None
    count: int = 1


@dataclass(frozen=True, slots=True)
class Refusal:
    """A source that was not taken, and why."""

    source: str
    reason: str


@dataclass(frozen=True, slots=True)
class Session:
    """One operation of one arm, as the archive knows it.

    ``units`` maps a joint's name to the serial number of the joint unit that
    sat there, where it is known; histories follow `unit`. ``channels`` maps each stream
    to its channel names. ``base_end``, ``payload_kg`` and ``person_on_tip``
    hold for the whole session, or are None where unknown or varying. ``run`` is the
    name of one of several runs in a file, the word of its column or ``run 2`` where the
    clock told it; empty where the session is all of its logs, and in earlier records.
    """

    session: str
    source: str
    arm: str
    rows: int
    start: datetime
    end: datetime
    joints: tuple[str, ...]
    units: dict[str, str]
    channels: dict[str, tuple[str, ...]]
    base_end: str | None = None
    payload_kg: float | None = None
    person_on_tip: bool | None = None
    rate_hz: float | None = None
    completeness: float | None = None
    raw_sha256: str | None = None
    arm_toml: str | None = None
    map_toml: str | None = None
    program: str | None = None
    quality: tuple[QualityNote, ...] = ()
    switched_off: tuple[str, ...] = ()
    run: str = ""

    def unit(self, joint: str) -> str:
        """Return the key of the joint unit at a joint: what all its histories go by.

        See `replay.unit_keys`.
        """
        return unit_key(self.units.get(joint), self.arm, joint)

    @property
    def unit_keys(self) -> frozenset[str]:
        """The keys of its joint units."""
        return frozenset(self.unit(joint) for joint in self.joints)

    @property
    def second_recorders(self) -> tuple[str, ...]:
        """Streams with channels that ``main`` has too: what another recorder saw of the session."""
        main = set(self.channels.get("main", ()))
        return tuple(s for s, names in self.channels.items() if s != "main" and main & set(names))


@dataclass(frozen=True, slots=True)
class Flag:
    """Something a person should look at, with the evidence for it.

    ``score`` is ``-log10(p)`` of the event's combined p-value: higher is
    rarer. ``evidence`` holds plain numbers and words that JSON can carry.
    """

    flag: str
    session: str
    joint: str
    unit: str
    kind: str
    start: datetime
    end: datetime
    score: float
    severity: str
    summary: str
    baseline: str | None = None
    group: str | None = None
    evidence: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Trend:
    """How one indicator of one joint unit changes, with its uncertainty.

    ``joint`` names the place, ``serial`` the unit whose history it is.
    Slopes are in ``unit`` per year; the interval is 90 % unless said.
    """

    joint: str
    indicator: str
    unit: str
    n: int
    slope_per_year: float | None
    slope_low: float | None
    slope_high: float | None
    p_value: float | None
    result: Literal["rising", "falling", "steady", "too-few"]
    serial: str = ""
    arm: str = ""
    last_value: float | None = None
    since: datetime | None = None
    detail: dict[str, Any] = field(default_factory=dict)
