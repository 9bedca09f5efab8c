"""Which unit still sits in its place: the one with the latest session there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl

from replay.archive import Archive, keys_of_roll
from replay.records import Trend

REMOVED = "removed"
"""The word of a projection whose unit is out: no limit of it is coming."""

OUT = "the unit is out of its place, no limit date is coming"

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_STAYS = (_EPOCH, True)
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


def in_place_by_roll(archive: Archive) -> dict[str, tuple[datetime, bool]]:
    """Return the same of all units that the indicator table has rows of, without reading it."""
    roll = archive.roll("indicators").drop_nulls("start_us")
    latest = roll.group_by("told").agg(pl.col("start_us").max())
    seen: dict[str, tuple[int, tuple[str, str]]] = {}
    newest: dict[tuple[str, str], int] = {}
    for told, start in latest.iter_rows():
        for keys in keys_of_roll("indicators", told):
            serial, place = keys["serial"], (keys["arm"], keys["joint"])
            if serial and start >= seen.get(serial, (start, place))[0]:
                seen[serial] = start, place
    for start, place in seen.values():
        newest[place] = max(start, newest.get(place, start))
    return {
        serial: (_EPOCH + timedelta(microseconds=start), start >= newest[place])
        for serial, (start, place) in seen.items()
    }


def without_dates_of_the_removed(
    found: Sequence[Trend], places: Mapping[str, tuple[datetime, bool]] | None = None
) -> list[Trend]:
    """Return the trends, of units that are out without dates to come.

    That a limit was passed while the unit was in stays said. ``places`` is what `in_place`
    gives; by default it is asked of these trends.
    """
    there = in_place(found) if places is None else places
    return [t if there.get(t.serial, _STAYS)[1] else _removed(t) for t in found]


def _removed(t: Trend) -> Trend:
    projection = t.detail.get("projection")
    if not projection or projection["word"] == "passed":
        return t
    dateless: dict[str, Any] = {
        k: None if k.startswith(_DATED) else v for k, v in projection.items()
    }
    dateless |= {"word": REMOVED, "reason": OUT}
    return replace(t, detail=t.detail | {"projection": dateless})
