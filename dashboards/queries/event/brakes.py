"""What the brakes were told and did around an event, to the sample."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import polars as pl

from dashboards.queries.event.events import Event
from dashboards.queries.session.brake_runs import (
    BRAKE_WORDS,
    SAMPLED,
    apart,
    brake_runs,
    told_on_change,
)
from dashboards.queries.session.second_recorder import best_spans, stream_there
from replay.archive import Archive
from replay.errors import DamageError, JointbookError
from replay.signals.joints import joint_table
from replay.units import JOINT_QUANTITIES, channel
from replay.wording import in_a_row


def brake_sequence(
    archive: Archive, event: Event, start: datetime, end: datetime, *, joints: list[str]
) -> pl.DataFrame:
    """Return what brakes were told and did, and when the joint moved, in order.

    ``time`` (nanoseconds), ``what`` (words), ``joints`` (all that did it at
    that instant), ``since_ms`` (after the row before), ``from_event_s``. The
    first state in the window is not a change and is left out.
    """
    rows: list[dict[str, Any]] = []
    known = {name for names in event.record.channels.values() for name in names}
    words = {
        "brake_engage_cmd": {True: "told to engage", False: "told to release"},
        "brake_engaged": {True: "engaged", False: "released"},
    }
    for joint in joints:
        for quantity, said in words.items():
            name = channel(joint, quantity)
            if name not in known:
                continue
            runs = best_spans(archive, event.record, name, start, end)
            if runs["value"].null_count():  # not said, or another joint's word in the same row
                runs = brake_runs(archive, event.record, joint, name, start, end)
            for at, value in runs.select("start", "value").slice(1).iter_rows():
                rows.append({"time": at, "joint": joint, "what": said.get(value, "state not said")})
    rows += _starts_and_stops(archive, event, start, end)
    frame = pl.DataFrame(
        rows,
        schema={"time": pl.Datetime("ns", "UTC"), "joint": pl.String, "what": pl.String},
    ).sort("time", "what", "joint")
    zero = pl.lit(event.start).cast(pl.Datetime("ns", "UTC"))
    together = frame.group_by("time", "what", maintain_order=True).agg(pl.col("joint"))
    return together.rename({"joint": "joints"}).with_columns(
        (pl.col("time").diff().dt.total_microseconds() / 1000).alias("since_ms"),
        ((pl.col("time") - zero).dt.total_microseconds() / 1e6).alias("from_event_s"),
    )


def usual_step_ms(archive: Archive, event: Event, start: datetime, end: datetime) -> float | None:
    """Return the usual interval of the joint's brake channel, else its current's.

    A channel that is told on change, in rows of its own, has none.
    """
    for quantity in ("brake_engaged", "brake_engage_cmd", *SAMPLED):
        name = channel(event.joint, quantity)
        stream = stream_there(archive, event.record, name, event.start)
        if stream is None or _on_change(archive, event, name, stream):
            continue
        times = archive.samples(
            event.record.session, stream=stream, channels=[], start=start, end=end
        ).collect()["time"]
        step = times.diff().dt.total_microseconds().median()
        if isinstance(step, int | float):
            return float(step) / 1000
    return None


def step_words(archive: Archive, event: Event, start: datetime, end: datetime) -> str:
    """Say how exactly the instants of the brake sequence are known; nothing where none can tell."""
    told = []
    for quantity in BRAKE_WORDS:
        name = channel(event.joint, quantity)
        stream = stream_there(archive, event.record, name, event.start)
        if stream is not None and _on_change(archive, event, name, stream):
            told.append(JOINT_QUANTITIES[quantity].word)
    step = usual_step_ms(archive, event, start, end)
    if not told:
        return (
            ""
            if step is None
            else f"Samples are {step:.1f} ms apart: a change may be up to that much earlier."
        )
    words = (
        f"The log tells the {in_a_row(told)} on change: such a line stands at the instant that "
        "the word was written with."
    )
    if step is None:
        return words
    return (
        f"{words} Other samples are {step:.1f} ms apart: a change that they tell may be up to "
        "that much earlier."
    )


def _on_change(archive: Archive, event: Event, name: str, stream: str) -> bool:
    """Tell whether a brake's word is told on change in rows that have no step of their own."""
    record = event.record
    return apart(record, stream) and told_on_change(archive, record, name, stream)


def _starts_and_stops(
    archive: Archive, event: Event, start: datetime, end: datetime
) -> list[dict[str, Any]]:
    try:
        table = joint_table(archive, event.record.session, event.joint, start=start, end=end)
    except DamageError:
        raise
    except JointbookError:
        return []
    moving = (pl.col("motion") == "moving").fill_null(False)
    turns = table.select("time", moving.alias("moving")).with_columns(
        turn=pl.col("moving") != pl.col("moving").shift(1)
    )
    return [
        {"time": at, "joint": event.joint, "what": "starts to move" if now else "stands still"}
        for at, now in turns.filter("turn").select("time", "moving").iter_rows()
    ]
