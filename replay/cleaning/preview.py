"""The first rows of a log read with a map, before anything is stored: for a person to look at."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from replay.cleaning.parts import find_time
from replay.cleaning.stream.channels import learn_typical, plan_channels
from replay.cleaning.times.time_column import Clock
from replay.errors import UsageError
from replay.logs.bind import bind
from replay.logs.maps import LogMap
from replay.logs.readers.arranged import arranged
from replay.logs.readers.open_log import open_log
from replay.logs.switched_off import switched_off
from replay.logs.times.start_names import with_start

Floats = npt.NDArray[np.float64]
ROWS = 2000


@dataclass(frozen=True, slots=True)
class Preview:
    """What a log's first rows say under a map, in the archive's units."""

    joints: tuple[str, ...]
    time_s: Floats
    """Seconds since the first row that has a time."""
    channels: Mapping[str, Floats]
    """By channel, ``J1.angle_deg``; NaN where there is no value. Switches are 1 and 0."""
    columns: Mapping[str, str]
    """Column that each channel is read from."""
    start: str
    """First instant, or why there is none."""
    switched_off: tuple[str, ...]
    unused: tuple[str, ...]


def preview(path: Path, log_map: LogMap, rows: int = ROWS) -> Preview:
    """Read the first rows of a wide log with a map.

    Raises
    ------
    LogMapError, LogRefused
        As `ingest` would say it.
    UsageError
        For a table of one value a row, whose first rows are not of one instant.
    """
    if log_map.layout != "wide":
        raise UsageError(
            "a table of one value a row has no rows to show side by side before it is taken in",
            todo="check units and signs in the lines of the map, take the log in, and look at the "
            "joint on the replay page",
        )
    with tempfile.TemporaryDirectory(prefix="jointbook-") as scratch:
        raw = open_log(path, Path(scratch), [log_map])
        log_map = with_start(log_map, path)
        raw = arranged(raw, log_map)
        bindings = bind(log_map, raw.columns, path)
        column = find_time(raw, log_map)
        sample = raw.sample.head(max(raw.head, 1)).head(rows)
        ns, ok = Clock(log_map.time).read_from(sample, column)
        numbers = np.arange(1, sample.height + 1)
        channels: dict[str, Floats] = {}
        columns: dict[str, str] = {}
        present = {b.entry.quantity for b in bindings}
        present |= {e.quantity for e in log_map.session.values() if e.value is not None}
        for plan in plan_channels(bindings, log_map.joints):
            learn_typical(plan, sample[plan.column], raw.decimal_comma)
            values = plan.read(sample[plan.column], numbers, raw.decimal_comma)
            if values.dtype.is_numeric() or str(values.dtype) == "Boolean":
                channels[plan.name] = values.cast(float).fill_null(np.nan).to_numpy()[ok]
            columns[plan.name] = plan.column
    first = int(ns[ok][0]) if ok.any() else 0
    read = {*columns.values(), *log_map.time.columns, log_map.run, log_map.time.nanosecond}
    read.add(log_map.time.date)
    return Preview(
        log_map.joints,
        (ns[ok] - first) / 1e9,
        channels,
        columns,
        str(np.datetime64(first, "ns"))[:23] + "Z" if ok.any() else "no row has a time",
        switched_off(present),
        tuple(c for c in raw.columns if c not in read),
    )
