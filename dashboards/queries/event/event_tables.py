"""The tables behind the sections of the event page, whole, for saving."""

from __future__ import annotations

from datetime import datetime

import polars as pl

from dashboards.queries.event import brakes, events, scores, sensors, similar_motions
from dashboards.queries.event.events import Event
from replay.archive import Archive
from replay.errors import UsageError

TABLES: dict[str, str] = {
    "likes": "the similar motions",
    "scores": "the score and every detector through time",
    "others": "all joints in this window",
    "brakes": "the brake sequence",
    "sensors": "the sensor health",
}
"""What can be saved, by the section it belongs to."""


def event_table(
    archive: Archive, event: Event, what: str, start: datetime, end: datetime, k: int
) -> pl.DataFrame:
    """Return one section's table.

    Raises
    ------
    UsageError
        No such table, or nothing to put into it.
    """
    if what == "brakes":
        rows = brakes.brake_sequence(archive, event, start, end, joints=list(event.record.joints))
        return rows.with_columns(pl.col("joints").list.join(" "))
    if what == "sensors":
        return sensors.sensor_health(archive, event, start, end)[0]
    if what == "others":
        return events.neighbours(archive, event, start, end).drop_nulls("current_a")
    if what not in TABLES:
        raise UsageError(f"no table {what!r}", todo="one of " + ", ".join(TABLES))
    found = (
        similar_motions.likes_of(archive, event, k)
        if what == "likes"
        else scores.scores_of(archive, event)
    )
    if isinstance(found, str):
        raise UsageError(found)
    return found.motions if isinstance(found, similar_motions.Likes) else found.trace
