"""Brake events as the quicker of a session's recorders saw them.

A triggered recorder writes around brake changes at a higher rate than the main
stream. Where one of its stretches holds an event from before its signal on, the
delays, stops and answers that it saw to their end take the place of those from
the main stream; everything else stays the main stream's.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from replay.signals.brakes.brake_events import brake_events
from replay.signals.channels import Channels
from replay.signals.joint_signals import JointSignals, signals_of
from replay.signals.joints import Prepared, columns_from
from replay.units import channel

PAUSE_STEPS = 10.0
"""A pause this many usual steps long ends a stretch, as where the log is taken in."""
_SEEN = ("measured", "interval", "at most", "not measurable")
"""Statuses of what was seen to its end."""
_GROUPS = {
    "delay_status": ("delay_low_s", "delay_high_s", "delay_s", "delay_status", "delay_by"),
    "stop_status": (
        "stop_low_s", "stop_high_s", "stop_s", "stop_status", "stop_angle_deg", "stop_angle_se_deg",
    ),
    "answer_status": ("answer_low_s", "answer_high_s", "answer_status"),
}  # fmt: skip
"""Columns of an event that belong together, by the one that says if they were seen."""


def best_events(ready: Prepared, arrays: Mapping[str, JointSignals]) -> dict[str, pl.DataFrame]:
    """Return each joint's brake events, from the quicker recorder where it saw them.

    Parameters
    ----------
    ready : Prepared
        The session, read.
    arrays : mapping of str to JointSignals
        The joints' tables.

    Returns
    -------
    dict of str to DataFrame
        By joint, columns of `replay.signals.brakes.brake_events.EVENT_SCHEMA`.
    """
    events = {name: brake_events(a) for name, a in arrays.items()}
    for stream in ready.record.second_recorders:
        for name, quick in _quick_tables(ready, stream, list(arrays)).items():
            seen = brake_events(quick)
            if seen.height and events[name].height:
                step_s = arrays[name].step_s
                events[name] = _preferred(events[name], seen, stretches(quick.time), step_s)
    return events


def stretches(time_ns: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return first and last instant of each stretch without a pause, shape (n, 2), ns.

    Examples
    --------
    >>> stretches(np.array([0, 1, 2, 50, 51])).tolist()
    [[0, 2], [50, 51]]
    """
    if not len(time_ns):
        return np.zeros((0, 2), dtype=np.int64)
    steps = np.diff(time_ns)
    usual = float(np.median(steps)) if len(steps) else 0.0
    cut = np.flatnonzero(steps > PAUSE_STEPS * usual)
    first = np.concatenate([[0], cut + 1])
    last = np.concatenate([cut, [len(time_ns) - 1]])
    return np.stack([time_ns[first], time_ns[last]], axis=1)


def _quick_tables(ready: Prepared, stream: str, joints: list[str]) -> dict[str, JointSignals]:
    """Return the joints' tables on the quick stream's instants, where it has what they need."""
    held = set(ready.record.channels[stream])
    wanted = [
        j
        for j in joints
        if channel(j, "current_a") in held
        and held & {channel(j, "brake_engaged"), channel(j, "brake_engage_cmd")}
    ]
    if not wanted:
        return {}
    quick = Channels(
        ready.channels.archive, ready.record, wanted, ready.start, ready.end, first=stream
    )
    seen = Prepared(
        ready.record, quick, quick.motions(wanted), ready.postures, tuple(wanted), ready.start,
        ready.end,
    )  # fmt: skip
    return {j: signals_of(columns_from(seen, j)) for j in wanted}


def _preferred(
    main: pl.DataFrame, seen: pl.DataFrame, edges: NDArray[np.int64], step_s: float
) -> pl.DataFrame:
    """Put what the quick recorder saw to its end in the place of the main stream's."""
    at = seen["time"].to_physical().to_numpy()
    k = np.maximum(np.searchsorted(edges[:, 0], at, side="right") - 1, 0)
    begun = at > edges[k, 0]  # the change itself lies in the stretch, not in the pause before
    rows = main.to_dicts()
    near = timedelta(seconds=2 * step_s)
    quick = [r for r, inside in zip(seen.to_dicts(), begun, strict=True) if inside]
    for row in rows:
        found = [
            q for q in quick if q["event"] == row["event"] and abs(q["time"] - row["time"]) <= near
        ]
        if not found:
            continue
        best = min(found, key=lambda q: abs(q["time"] - row["time"]))
        for status, names in _GROUPS.items():
            if best[status] in _SEEN and (best["signal"] == row["signal"] or row[status] is None):
                row |= {n: best[n] for n in names}
    return pl.DataFrame(rows, schema=main.schema)
