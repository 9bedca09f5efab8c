"""An event's joint channel by channel, each on its own samples, and what was not recorded.

The joint table stands on the instants of the motor current: where that is lost, nothing of
it is there, though the angle may have been recorded all along. What is drawn comes from here.
"""

from __future__ import annotations

from datetime import datetime

import numpy as np
import numpy.typing as npt
import polars as pl

from dashboards.figures.holes import OFTEN, with_holes
from dashboards.queries.event.events import MOST_ROWS, Event, downsampled
from replay.archive import Archive
from replay.signals.channels import Channels
from replay.units import TIME, channel

Ints = npt.NDArray[np.int64]


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
