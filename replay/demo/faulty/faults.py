"""What can go wrong with Heron, and how much of it is put into a session.

A wish (`FaultWish`) names a kind and a grade; `placing.place` finds a moment in
the schedule where that fault would show and fixes its size, and returns the
fault as truth knows it. *Clear* is a current shift of at least 20 % of the joint's
median moving current, a slip of 0.5 deg, a release delay twice nominal, an
angle jump of 1 deg, a channel stuck or lost for 5 s, a payload wrong by half;
*subtle* is half of that.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay.demo import heron
from replay.demo.hardware import Rack
from replay.demo.manoeuvres import Schedule
from replay.demo.plant import Response
from replay.errors import UsageError
from replay.records import FLAG_KINDS

Array = NDArray[np.float64]

FLAVOURS: dict[str, tuple[str, ...]] = {
    "friction": ("step", "growth"),
    "brake-drag": ("rubbing",),
    "brake-slip": ("creep",),
    "late-release": ("slow coil",),
    "stick-slip": ("judder",),
    "stall": ("contact",),
    "load": ("declared too light", "declared too heavy"),
    "current-sensor": ("offset", "gain", "stuck", "spikes"),
    "angle-sensor": ("jump", "stuck", "drift"),
    "gap": ("channel", "recorder"),
    "unusual": ("hum", "knock"),
}
GRADES = ("clear", "subtle")
CLEAR_SHIFT = 0.20  # of the median moving current
MARGIN_S = 8.0  # between two faults
KNOCK_EVERY_DEG = 9.0


@dataclass(frozen=True, slots=True)
class FaultWish:
    """A fault to put in; what is left open is drawn.

    ``after`` is the share of the session before which it shall not begin.
    ``strength`` is the size in units of what is just *clear*, where a size is
    drawn at all.
    """

    kind: str
    grade: str = "clear"
    joint: str | None = None
    flavour: str | None = None
    after: float = 0.0
    strength: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in FLAVOURS:
            raise UsageError(f"no fault {self.kind!r}", todo=f"one of {', '.join(FLAG_KINDS)}")
        if self.grade not in GRADES:
            raise UsageError(f"no grade {self.grade!r}", todo="clear or subtle")
        if self.flavour is not None and self.flavour not in FLAVOURS[self.kind]:
            raise UsageError(
                f"no flavour {self.flavour!r} of {self.kind}", todo=str(FLAVOURS[self.kind])
            )


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault as it was put in; ``joint`` is an index, -1 for the recorder."""

    kind: str
    flavour: str
    grade: str
    joint: int
    start_s: float
    end_s: float
    size: float
    size_unit: str
    also: tuple[int, ...] = ()
    detail: float = 0.0
    """Whatever else the flavour needs: a period, a sign, a count."""

    def truth(self, start: datetime) -> dict[str, Any]:
        """Return the event as the truth file writes it."""

        def iso(seconds: float) -> str:
            instant = start + timedelta(seconds=round(seconds, 3))
            return instant.isoformat(timespec="milliseconds").replace("+00:00", "Z")

        return {
            "joint": heron.NAMES[self.joint] if self.joint >= 0 else "",
            "kind": self.kind,
            "start": iso(self.start_s),
            "end": iso(self.end_s),
            "size": round(float(self.size), 4),
            "size_unit": self.size_unit,
            "grade": self.grade,
            "flavour": self.flavour,
            "also": [heron.NAMES[j] for j in self.also],
        }


@dataclass(frozen=True, slots=True)
class Scene:
    """A healthy run of the session, in which room for a fault is sought."""

    schedule: Schedule
    response: Response
    rack: Rack
    rate_hz: float
    typical_a: Array  # (7,) median moving current

    @property
    def end_s(self) -> float:
        """End of the session in seconds."""
        return float(self.schedule.t[-1])


def look_at(schedule: Schedule, response: Response, rack: Rack, rate_hz: float) -> Scene:
    """Return the scene of a healthy run."""
    typical = np.zeros(heron.JOINTS)
    for j in range(heron.JOINTS):
        moving = ~response.engaged[:, j] & (np.abs(response.rate_deg_s[:, j]) > 0.02)
        if moving.any():
            typical[j] = np.median(np.abs(response.current_a[moving, j]))
    return Scene(schedule, response, rack, rate_hz, typical)
