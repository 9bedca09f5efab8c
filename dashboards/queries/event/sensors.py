"""How well a joint's channels were recorded around an event."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import polars as pl

from dashboards.queries.event.events import Event
from dashboards.queries.session.brake_runs import told_on_change
from replay.archive import Archive
from replay.signals.motion.breaks import gap_starts
from replay.statistics.noise import noise_of
from replay.units import JOINT_QUANTITIES, channel

FEWEST = 8
"""Of fewer samples no noise is told."""


def sensor_health(
    archive: Archive, event: Event, start: datetime, end: datetime
) -> tuple[pl.DataFrame, list[str]]:
    """Say how well the joint's channels were recorded around the event.

    Returns
    -------
    channels : polars.DataFrame
        One row a channel: ``quantity, unit, samples, missing`` (share of
        samples without a value), ``step_ms`` (usual interval), ``gap_ms``
        (longest interval), ``unchanged_s`` (longest run of one value),
        ``noise`` (robust standard deviation of a sample, `replay.statistics.noise`: a jump of
        the reading is none of it), ``on_change`` (a word that is written when it changes: its
        samples are its words, and it has neither a step nor a share that is missing).
    notes : list of str
        Quality notes of the session that touch the window and the joint.
    """
    rows = []
    for name, quantity in JOINT_QUANTITIES.items():
        full = channel(event.joint, name)
        stream = archive.stream_of(event.record, full)
        if stream is None:
            continue
        frame = archive.samples(
            event.record.session, stream=stream, channels=[full], start=start, end=end
        ).collect()
        if quantity.dtype == pl.Boolean and told_on_change(archive, event.record, full, stream):
            rows.append(_told_health(quantity.word, frame.drop_nulls(full)))
        else:
            rows.append(_channel_health(quantity.word, quantity.unit, frame, full))
    notes = [
        f"{n.detail}" + (f" ({n.count} times)" if n.count > 1 else "")
        for n in event.record.quality
        if n.joint in (None, event.joint)
        and (n.start is None or n.start <= end)
        and (n.end is None or n.end >= start)
    ]
    kinds = dict.fromkeys(("missing", "step_ms", "gap_ms", "unchanged_s", "noise"), pl.Float64)
    return pl.DataFrame(rows, schema_overrides=kinds), notes


def _told_health(word: str, told: pl.DataFrame) -> dict[str, Any]:
    """Return the row of a channel that is told on change; ``told`` are its words."""
    nothing = dict.fromkeys(("missing", "step_ms", "gap_ms", "unchanged_s", "noise"))
    return {"quantity": word, "unit": "", "samples": told.height, **nothing, "on_change": True}


def _channel_health(word: str, unit: str, frame: pl.DataFrame, name: str) -> dict[str, Any]:
    steps = frame["time"].diff().dt.total_microseconds() / 1000
    values = frame[name]
    runs = (
        frame.with_columns(run=pl.col(name).rle_id())
        .filter(pl.col(name).is_not_null())
        .group_by("run")
        .agg((pl.col("time").last() - pl.col("time").first()).alias("length"))
    )
    longest = runs["length"].max() if runs.height else None
    noise = None
    known = frame.drop_nulls(name)
    if values.dtype.is_float() and known.height >= FEWEST:
        since = known["time"] - known["time"][0]
        t_s = since.dt.total_nanoseconds().to_numpy() / 1e9
        noise = noise_of(known[name].cast(pl.Float64).to_numpy(), gap_starts(t_s), t_s)
    return {
        "quantity": word,
        "unit": unit,
        "samples": frame.height,
        "missing": values.null_count() / frame.height if frame.height else None,
        "step_ms": steps.median() if frame.height > 1 else None,
        "gap_ms": steps.max() if frame.height > 1 else None,
        "unchanged_s": longest.total_seconds() if isinstance(longest, timedelta) else None,
        "noise": noise,
        "on_change": False,
    }
