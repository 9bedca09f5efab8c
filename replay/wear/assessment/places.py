"""Which unit still sits in its place: the one with the latest session there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from replay.records import Trend

REMOVED = "removed"
"""The word of a projection whose unit is out: no limit of it is coming."""

OUT = "the unit is out of its place, no limit date is coming"

_DATED = ("date", "remaining_years", "use")


def in_place(found: Sequence[Trend]) -> dict[str, tuple[datetime, bool]]:
    """Return, per serial, its last session and whether it still sits in its place."""
    begin = datetime(1970, 1, 1, tzinfo=UTC)
    seen: dict[str, datetime] = {}
    place: dict[str, tuple[str, str]] = {}
    for t in found:
        last = t.detail.get("last") or begin
        if last >= seen.get(t.serial, begin):
            seen[t.serial] = last
            place[t.serial] = (t.arm, t.joint)
    newest: dict[tuple[str, str], datetime] = {}
    for serial, last in seen.items():
        newest[place[serial]] = max(last, newest.get(place[serial], begin))
    return {serial: (last, last >= newest[place[serial]]) for serial, last in seen.items()}


def without_dates_of_the_removed(found: Sequence[Trend]) -> list[Trend]:
    """Return the trends, of units that are out without dates to come.

    That a limit was passed while the unit was in stays said.
    """
    there = in_place(found)
    return [t if there[t.serial][1] else _removed(t) for t in found]


def _removed(t: Trend) -> Trend:
    projection = t.detail.get("projection")
    if not projection or projection["word"] == "passed":
        return t
    dateless: dict[str, Any] = {
        k: None if k.startswith(_DATED) else v for k, v in projection.items()
    }
    dateless |= {"word": REMOVED, "reason": OUT}
    return replace(t, detail=t.detail | {"projection": dateless})
