"""An event's joint channel by channel, each on its own samples, and what was not recorded.

The joint table stands on the instants of the motor current: where that is lost, nothing of
it is there, though the angle may have been recorded all along. What is drawn comes from here.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np
import numpy.typing as npt
import polars as pl

from dashboards.figures.holes import HOLE_STEPS, OFTEN, with_holes
from dashboards.queries.event.events import MOST_ROWS, Event, downsampled
from dashboards.queries.session.second_recorder import best_spans, stream_there
from replay.archive import Archive
from replay.signals.channels import Channels
from replay.units import TIME, channel

Ints = npt.NDArray[np.int64]

SAMPLED = ("current_a", "angle_deg", "rate_deg_s", "temperature_c")
"""Channels that a recorder writes at a step of its own; brake words are often told on change."""


def own_lines(
    archive: Archive, event: Event, start: datetime, end: datetime
) -> dict[str, pl.DataFrame]:
    """Return rate, commanded rate, angle and temperature: ``time`` and the channel's own name.

    A row without a value stands where a sample of that channel is late by its own step.
    """
    channels = Channels(archive, event.record, [event.joint], start, end)
    moved = channels.motions([event.joint]).get(event.joint)
    angle = channels.numbers(channel(event.joint, "angle_deg"))
    heat = channels.numbers(channel(event.joint, "temperature_c"))
    lines: dict[str, tuple[Ints, npt.NDArray[np.float64]]] = {
        "temperature_c": (heat.time_ns, heat.values)
    }
    if angle.time_ns.size:
        whole = channels.angle(event.joint, moved, angle.time_ns)
        lines["angle_deg"] = (angle.time_ns, whole)
    if moved is not None:
        lines["rate_deg_s"] = (moved.time_ns, moved.rate_deg_s)
        told = channels.commanded_rate(event.joint, moved.time_ns)
        lines["rate_cmd_deg_s"] = (moved.time_ns, told)
    made = {}
    for name, (time_ns, values) in lines.items():
        inside = pl.DataFrame({TIME: time_ns, name: values}).with_columns(
            pl.col(TIME).cast(pl.Datetime("ns")).dt.replace_time_zone("UTC"),
            pl.col(name).fill_nan(None),
        )
        inside = inside.filter(pl.col(TIME).is_between(start, end)).drop_nulls(name)
        if inside.height:
            made[name] = downsampled(with_holes(inside, OFTEN), (name,), MOST_ROWS)
    return made


def brake_runs(
    archive: Archive, event: Event, name: str, start: datetime, end: datetime
) -> pl.DataFrame:
    """Return the runs of a brake's channel: ``start, end, value``; null where nothing was recorded.

    A channel written sample by sample is not known where its own samples are missing. One that
    is told when it changes is silent by habit: there it is not known where any other channel of
    the joint is missing, for its word may be lost with them.
    """
    runs = best_spans(archive, event.record, name, start, end)
    known = _times(archive, event, [name], start, end)
    steps = np.diff(known)
    step_ns = _usual_ns(archive, event, start, end)
    sampled = steps.size > 0 and float(np.quantile(steps, OFTEN)) <= HOLE_STEPS * step_ns
    holes: list[tuple[int, int]] = []
    for names in [[name]] if sampled else [[channel(event.joint, q)] for q in SAMPLED]:
        holes += _holes(_times(archive, event, names, start, end), start, end)
    if not sampled and runs.height:  # what is told on change holds until something else is told
        until = min(end, event.record.end)
        last = pl.int_range(pl.len()) == pl.len() - 1
        held = pl.max_horizontal("end", pl.lit(until).cast(runs.schema["end"]))
        runs = runs.with_columns(end=pl.when(last).then(held).otherwise("end"))
    return _cut(runs, holes)


def _times(
    archive: Archive, event: Event, names: Sequence[str], start: datetime, end: datetime
) -> Ints:
    """Return the instants at which one of these channels has a value, ns, rising."""
    found = []
    for name in names:
        stream = stream_there(archive, event.record, name, event.start)
        if stream is None:
            continue
        rows = archive.samples(
            event.record.session, stream=stream, channels=[name], start=start, end=end
        ).collect()
        found.append(rows.drop_nulls(name)[TIME].cast(pl.Int64).to_numpy())
    return np.unique(np.concatenate(found)) if found else np.zeros(0, dtype=np.int64)


def _usual_ns(archive: Archive, event: Event, start: datetime, end: datetime) -> float:
    steps = [
        float(np.median(np.diff(times)))
        for q in SAMPLED
        if (times := _times(archive, event, [channel(event.joint, q)], start, end)).size > 1
    ]
    return min(steps, default=0.0)


def _holes(times: Ints, start: datetime, end: datetime) -> list[tuple[int, int]]:
    """Return the stretches in which the next sample is late by `HOLE_STEPS` of what is usual."""
    if times.size < 3:
        return []
    step = np.diff(times)
    usual = float(np.sort(step)[int(OFTEN * (step.size - 1))])
    late = np.flatnonzero(step > HOLE_STEPS * usual)
    return [(int(times[k] + usual), int(times[k + 1])) for k in late]


def _cut(runs: pl.DataFrame, holes: Sequence[tuple[int, int]]) -> pl.DataFrame:
    """Take stretches out of runs and leave them as runs without a value."""
    rows = runs.select(pl.col("start", "end").to_physical(), "value").rows()
    for low, high in sorted(holes):
        left = []
        for a, b, value in rows:
            if b <= low or a >= high or value is None:
                left.append((a, b, value))
                continue
            left += [(a, low, value)] if a < low else []
            left += [(max(a, low), min(b, high), None)]
            left += [(high, b, value)] if b > high else []
        rows = left
    kind = runs.schema["start"]
    return pl.DataFrame(
        {
            "start": pl.Series([r[0] for r in rows], dtype=pl.Int64).cast(kind),
            "end": pl.Series([r[1] for r in rows], dtype=pl.Int64).cast(kind),
            "value": pl.Series([r[2] for r in rows], dtype=runs.schema["value"]),
        }
    )
